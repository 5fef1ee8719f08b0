// What single frames give to the fused images: date, exposure and their number, through prepare.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "core/files.h"
#include "core/metadata.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace prepare_frames_test {

using testing::HasSubstr;

demo::DemoOptions four_stations() {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 4;
  return options;
}

void write_frame(const fs::path& file, const std::string& date) {
  fs::create_directories(file.parent_path());
  write_image(file, test::sample_image(60, 40, CV_8U, 3), {FileType::jpeg});
  Metadata metadata = test::rich_metadata();
  metadata.exif["Exif.Photo.DateTimeOriginal"] = date;
  ASSERT_TRUE(write_metadata(file, FileType::jpeg, metadata).empty());
}

std::string tag(const fs::path& file, const char* key) {
  const Metadata metadata = read_metadata(file);
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? "" : at->toString();
}

std::string all_of(const Findings& findings) {
  std::string text;
  for (const Finding& finding : findings) text += finding.file + ": " + finding.what + "\n";
  return text;
}

void replace_in(const fs::path& file, const std::string& from, const std::string& to) {
  std::string text = read_file(file);
  const std::size_t at = text.find(from);
  ASSERT_NE(at, std::string::npos) << from;
  write_file(file, text.replace(at, from.size(), to));
}

TEST(PrepareFrames, GiveDateExposureAndNumber) {
  const test::SmallSet set(true, four_stations());
  set.add_settings(
      "[output]\nframe = \"frames/{ring}_{station}/*.jpg\"\n[refine]\nenabled = false");
  for (int s = 0; s < 4; ++s) {
    const fs::path folder = set.workspace() / "frames" / ("mid_00" + std::to_string(s));
    for (int slice = 0; slice < 3; ++slice) {
      write_frame(folder / (std::to_string(slice) + ".jpg"),
                  "2026:02:03 0" + std::to_string(s) + ":05:0" + std::to_string(slice));
    }
  }
  const auto frames = test::hashes_below(set.workspace() / "frames");
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(test::hashes_below(set.workspace() / "frames"), frames) << "frames are never written";
  const fs::path image = set.prepared() / "images/mid_002.tif";
  EXPECT_EQ(tag(image, "Exif.Photo.DateTimeOriginal"), "2026:02:03 02:05:00");
  EXPECT_EQ(tag(image, "Exif.Photo.ExposureTime"), "1/125");
  EXPECT_EQ(tag(image, "Exif.Image.Make"), "ACME  Optical ") << "never normalised";
  EXPECT_EQ(tag(image, "Exif.GPSInfo.GPSLatitude"), "52/1 31/1 1234/100");
  EXPECT_EQ(tag(image, "Exif.Photo.CompositeImage"), "2");
  EXPECT_EQ(tag(image, "Exif.Photo.SourceImageNumberOfCompositeImage"), "3 3");
  EXPECT_EQ(tag(image, "Exif.Image.DateTime"), "") << "the date of another file's change";
  EXPECT_THAT(all_of(outcome.findings),
              HasSubstr("were copied from the frame frames/mid_002/0.jpg."));

  // Another frame: its tags come in, the pixels stay.
  write_frame(set.workspace() / "frames/mid_002/0.jpg", "2027:01:01 00:00:00");
  const PrepareOutcome again = set.prepare();
  EXPECT_EQ(again.images_reused, 4);
  EXPECT_EQ(tag(image, "Exif.Photo.DateTimeOriginal"), "2027:01:01 00:00:00");
}

TEST(PrepareFrames, OneThatCannotBeReadCostsItsTagsOnly) {
  const test::SmallSet set(true, four_stations());
  set.add_settings("[output]\nframe = \"frames/{station}.jpg\"\n[refine]\nenabled = false");
  write_frame(set.workspace() / "frames/0.jpg", "2026:02:03 04:05:06");
  write_file(set.workspace() / "frames/1.jpg", "no image at all");
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_prepared, 4);
  const std::string said = all_of(outcome.findings);
  EXPECT_THAT(said, HasSubstr("fused/mid_001.tif: The single frame gave no metadata"));
  EXPECT_THAT(said, HasSubstr("for 2 of 4 stations: mid_002, mid_003."));
  EXPECT_EQ(tag(set.prepared() / "images/mid_000.tif", "Exif.Photo.DateTimeOriginal"),
            "2026:02:03 04:05:06");
  EXPECT_EQ(
      tag(set.prepared() / "images/mid_000.tif", "Exif.Photo.SourceImageNumberOfCompositeImage"),
      "")
      << "one file says nothing of the number";
}

TEST(PrepareFrames, NumberIsGivenByRingOrCaptureTable) {
  const test::SmallSet set(true, four_stations());
  set.add_settings("[refine]\nenabled = false");
  const fs::path specimen = set.workspace() / "specimen.toml";
  replace_in(specimen, "stations = 4\n", "stations = 4\nframes = 61\n");
  (void)set.prepare();
  const fs::path image = set.prepared() / "images/mid_001.tif";
  EXPECT_EQ(tag(image, "Exif.Photo.SourceImageNumberOfCompositeImage"), "61 61");

  write_frame(set.workspace() / "raw/a.jpg", "2026:02:03 04:05:06");
  replace_in(specimen, "pattern = \"fused/mid_{station}.tif\"\n", "");
  set.add_settings("[captures]\ntable = \"captures.csv\"");
  std::string table = "file,ring,station,frames,frame\n";
  for (int s = 0; s < 4; ++s) {
    table += "fused/mid_00" + std::to_string(s) + ".tif,mid," + std::to_string(s) +
             (s == 1 ? ",47,raw/a.jpg\n" : ",,\n");
  }
  write_file(set.workspace() / "captures.csv", table);
  (void)set.prepare();
  EXPECT_EQ(tag(image, "Exif.Photo.SourceImageNumberOfCompositeImage"), "47 47");
  EXPECT_EQ(tag(image, "Exif.Photo.DateTimeOriginal"), "2026:02:03 04:05:06");
  EXPECT_EQ(
      tag(set.prepared() / "images/mid_002.tif", "Exif.Photo.SourceImageNumberOfCompositeImage"),
      "61 61");
}

}  // namespace prepare_frames_test
}  // namespace trunnion

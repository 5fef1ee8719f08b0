// What is kept, through the whole of prepare: file types by kinds of metadata, as one matrix of
// "identical", "changed" (with its reason among the findings) or "refused" (likewise).
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <map>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <set>

#include "core/files.h"
#include "core/metadata.h"
#include "stages/annotate/annotate.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace prepare_keeps_test {

using testing::HasSubstr;

struct Row {
  const char* name;
  FileType source;
  int bits;
  OutputType output;
};

FileType written(const Row& row) {
  return row.output == OutputType::same   ? row.source
         : row.output == OutputType::tiff ? FileType::tiff
         : row.output == OutputType::png  ? FileType::png
                                          : FileType::jpeg;
}

std::string all_of(const Findings& findings) {
  std::string text;
  for (const Finding& finding : findings) text += finding.file + ": " + finding.what + "\n";
  return text;
}

std::string value(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? "" : bytes_of(*at, true);
}

std::string text(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? "" : at->toString();
}

std::string verdict(bool identical) {
  return identical ? "identical" : "changed";
}

std::string exif_verdict(const Metadata& a, const Metadata& b,
                         const std::vector<const char*>& keys) {
  for (const char* key : keys) {
    if (value(a, key).empty() || value(a, key) != value(b, key)) return "changed";
  }
  return "identical";
}

std::string xmp_verdict(const Metadata& a, const Metadata& b) {
  for (const char* key : {"Xmp.dc.title", "Xmp.dc.creator", "Xmp.catalogue.Number"}) {
    const auto before = a.xmp.findKey(Exiv2::XmpKey(key));
    const auto after = b.xmp.findKey(Exiv2::XmpKey(key));
    if (before == a.xmp.end() || after == b.xmp.end() || before->toString() != after->toString()) {
      return "changed";
    }
  }
  return "identical";
}

std::string iptc_verdict(const Metadata& a, const Metadata& b) {
  const auto bytes = [](const Metadata& metadata) {
    const Exiv2::DataBuf buffer = Exiv2::IptcParser::encode(metadata.iptc);
    return std::string(reinterpret_cast<const char*>(buffer.pData_),
                       static_cast<std::size_t>(buffer.size_));
  };
  return verdict(!a.iptc.empty() && bytes(a) == bytes(b));
}

class PrepareKeeps : public testing::TestWithParam<Row> {
 protected:
  // Prepares a set whose fused images carry `metadata`; the first image's before and after.
  struct Kept {
    Metadata before;
    Metadata after;
    std::string findings;
    std::string sidecar;
  };
  static Kept prepare(const Row& row, const Metadata& metadata) {
    demo::DemoOptions options = test::SmallSet::small_options();
    options.stations = 3;
    options.type = row.source;
    options.bits = row.bits;
    const test::SmallSet set(true, options);
    const std::array<const char*, 4> types{"same", "tiff", "png", "jpeg"};
    set.add_settings("[refine]\nenabled = false\n[output]\ntype = \"" +
                     std::string(types[static_cast<std::size_t>(row.output)]) + "\"");
    const fs::path fused = set.workspace() / "fused";
    for (const auto& entry : fs::directory_iterator(fused)) {
      EXPECT_TRUE(write_metadata(entry.path(), row.source, metadata).empty()) << entry.path();
    }
    const auto originals = test::hashes_below(fused);
    const PrepareOutcome outcome = set.prepare();
    EXPECT_EQ(test::hashes_below(fused), originals) << "originals are never written";
    const fs::path image =
        set.prepared() / (std::string("images/mid_000") + extension_of(written(row)));
    EXPECT_EQ(probe_image(image).bits, row.bits) << "depth never changes unless asked";
    const fs::path sidecar = fs::path(image).replace_extension(".xmp");
    return {read_metadata(fused / (std::string("mid_000") + extension_of(row.source))),
            read_metadata(image), all_of(outcome.findings),
            fs::exists(sidecar) ? read_file(sidecar) : ""};
  }
};

INSTANTIATE_TEST_SUITE_P(Matrix, PrepareKeeps,
                         testing::Values(Row{"Jpeg", FileType::jpeg, 8, OutputType::same},
                                         Row{"Tiff8", FileType::tiff, 8, OutputType::same},
                                         Row{"Tiff16", FileType::tiff, 16, OutputType::same},
                                         Row{"Png8", FileType::png, 8, OutputType::same},
                                         Row{"Png16", FileType::png, 16, OutputType::same},
                                         Row{"JpegToTiff", FileType::jpeg, 8, OutputType::tiff},
                                         Row{"TiffToPng", FileType::tiff, 16, OutputType::png},
                                         Row{"PngToTiff", FileType::png, 16, OutputType::tiff},
                                         Row{"TiffToJpeg", FileType::tiff, 8, OutputType::jpeg}),
                         [](const auto& row) { return row.param.name; });

TEST_P(PrepareKeeps, EachKindIdenticalOrChangedWithItsReason) {
  Metadata metadata = test::rich_metadata();
  metadata.exif["Exif.Image.Orientation"] = std::uint16_t{1};
  const Kept kept = prepare(GetParam(), metadata);
  const std::map<std::string, std::string> found{
      {"Exif, unrelated",
       exif_verdict(kept.before, kept.after,
                    {"Exif.Image.Artist", "Exif.Image.DateTime", "Exif.Photo.DateTimeOriginal",
                     "Exif.Photo.ExposureTime", "Exif.Photo.FNumber", "Exif.Photo.UserComment"})},
      {"Exif, make and model",
       exif_verdict(kept.before, kept.after, {"Exif.Image.Make", "Exif.Image.Model"})},
      {"Exif, renewed",
       exif_verdict(kept.before, kept.after,
                    {"Exif.Photo.FocalLength", "Exif.Photo.ImageUniqueID", "Exif.Image.Software"})},
      {"GPS", exif_verdict(kept.before, kept.after,
                           {"Exif.GPSInfo.GPSVersionID", "Exif.GPSInfo.GPSLatitudeRef",
                            "Exif.GPSInfo.GPSLatitude"})},
      {"XMP, other namespaces", xmp_verdict(kept.before, kept.after)},
      {"IPTC", iptc_verdict(kept.before, kept.after)},
      {"ICC", verdict(!kept.before.icc.empty() && kept.before.icc == kept.after.icc)},
      {"maker note", exif_verdict(kept.before, kept.after, {"Exif.Photo.MakerNote"})}};
  const std::map<std::string, std::string> expected{{"Exif, unrelated", "identical"},
                                                    {"Exif, make and model", "identical"},
                                                    {"Exif, renewed", "changed"},
                                                    {"GPS", "identical"},
                                                    {"XMP, other namespaces", "identical"},
                                                    {"IPTC", "identical"},
                                                    {"ICC", "identical"},
                                                    {"maker note", "identical"}};
  EXPECT_EQ(found, expected);
  EXPECT_THAT(kept.findings, HasSubstr("XMP copies of tags that were renewed"));
  EXPECT_THAT(kept.findings, HasSubstr("FocalLength, ImageUniqueID, Software were renewed"));
  EXPECT_THAT(kept.findings, testing::Not(HasSubstr("could not be kept")));
  // Nothing that was there is gone without a word: what is missing is named above.
  const std::set<std::uint16_t> blocks{0x8769, 0x8825, 700, 33723, 34675};  // other rows above
  for (const Exiv2::Exifdatum& datum : kept.before.exif) {
    if (annotate::describes_storage(datum.groupName(), datum.tag()) || blocks.contains(datum.tag()))
      continue;
    EXPECT_NE(kept.after.exif.findKey(Exiv2::ExifKey(datum.key())), kept.after.exif.end())
        << datum.key();
  }
}

class PrepareRefuses : public PrepareKeeps {};
INSTANTIATE_TEST_SUITE_P(Types, PrepareRefuses,
                         testing::Values(Row{"Jpeg", FileType::jpeg, 8, OutputType::same},
                                         Row{"Tiff8", FileType::tiff, 8, OutputType::same},
                                         Row{"Png16", FileType::png, 16, OutputType::same},
                                         Row{"TiffToJpeg", FileType::tiff, 8, OutputType::jpeg}),
                         [](const auto& row) { return row.param.name; });

TEST_P(PrepareRefuses, WhatDoesNotFitIsRefusedOrGoesToTheSidecar) {
  const Row& row = GetParam();
  const bool large = row.source != FileType::jpeg;  // a JPEG can't hold such a maker note at all
  Metadata metadata = test::rich_metadata(large ? 60'000 : 3000);
  metadata.exif["Exif.Image.Orientation"] = std::uint16_t{1};
  metadata.icc = test::icc_profile(true);  // for grey, but the images are in colour
  const Kept kept = prepare(row, metadata);
  EXPECT_EQ(kept.after.icc, "");
  EXPECT_THAT(kept.findings, HasSubstr("The colour profile is for \"GRAY\" samples"));
  const bool inside = written(row) != FileType::jpeg || !large;
  EXPECT_EQ(exif_verdict(kept.before, kept.after, {"Exif.Photo.MakerNote"}),
            inside ? "identical" : "changed");
  if (!inside) {
    EXPECT_THAT(kept.findings,
                HasSubstr("The maker note of 60000 bytes was written to the sidecar"));
    EXPECT_THAT(kept.sidecar, HasSubstr("MakerNote_base64"));
  }
}

// Thumbnail, dimensions and orientation change together with the pixels.
TEST(PrepareKeepsPixels, ThumbnailDimensionsAndOrientationFollowThePixels) {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 3;
  options.type = FileType::jpeg;
  options.bits = 8;
  const test::SmallSet set(true, options);
  set.add_settings("[refine]\nenabled = false");
  Metadata metadata = test::rich_metadata();
  metadata.exif["Exif.Image.Orientation"] = std::uint16_t{6};  // turn clockwise to see it upright
  metadata.exif["Exif.Photo.PixelXDimension"] = std::uint32_t{160};
  metadata.exif["Exif.Photo.PixelYDimension"] = std::uint32_t{240};
  const std::string old = test::jpeg_bytes(cv::Mat(60, 40, CV_8UC3, cv::Scalar(0, 0, 255)));
  Exiv2::ExifThumb(metadata.exif)
      .setJpegThumbnail(reinterpret_cast<const Exiv2::byte*>(old.data()),
                        static_cast<long>(old.size()));
  for (const auto& entry : fs::directory_iterator(set.workspace() / "fused")) {
    cv::Mat stored;
    cv::rotate(read_image(entry.path()), stored, cv::ROTATE_90_COUNTERCLOCKWISE);
    write_image(entry.path(), stored, {FileType::jpeg});
    ASSERT_TRUE(write_metadata(entry.path(), FileType::jpeg, metadata).empty());
  }
  const PrepareOutcome outcome = set.prepare();
  const fs::path file = set.prepared() / "images/mid_001.jpg";
  const Metadata found = read_metadata(file);
  EXPECT_EQ(text(found, "Exif.Image.Orientation"), "1");
  EXPECT_EQ(text(found, "Exif.Photo.PixelXDimension"), "240");
  EXPECT_EQ(text(found, "Exif.Photo.PixelYDimension"), "160");
  const Exiv2::DataBuf thumb = Exiv2::ExifThumbC(found.exif).copy();
  ASSERT_GT(thumb.size_, 0);
  const cv::Mat small = cv::imdecode(cv::Mat(1, static_cast<int>(thumb.size_), CV_8U, thumb.pData_),
                                     cv::IMREAD_COLOR);
  EXPECT_NEAR(static_cast<double>(small.cols) / small.rows, 1.5, 0.03) << "upright now";
  cv::Mat shrunk;
  cv::resize(read_image(file), shrunk, small.size(), 0, 0, cv::INTER_AREA);
  EXPECT_LT(cv::norm(small, shrunk, cv::NORM_L1) / static_cast<double>(small.total() * 3), 6.0)
      << "of the new pixels";
  EXPECT_THAT(all_of(outcome.findings), HasSubstr("thumbnail was made again"));
}

}  // namespace prepare_keeps_test
}  // namespace trunnion

#include "stages/verify/verify.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "core/hash.h"
#include "stages/annotate/annotate.h"
#include "stages/exports/exports.h"
#include "tests/support/open_data.h"
#include "tests/support/samples.h"

namespace trunnion::verify {
namespace verify_test {

// A small prepared set as the pipeline would leave it.
class Prepared {
 public:
  Prepared() : scene_(test::sample_scene()) {
    scene_.views.resize(3);
    scene_.pixel_pitch_um = 28.0;  // its resolution is a fraction of many digits
    const cv::Mat image = test::sample_image(600, 400, CV_8U, 3);
    const cv::Mat mask(400, 600, CV_8U, cv::Scalar(255));
    for (std::size_t i = 0; i < scene_.views.size(); ++i) {
      PendingFile pending(prepared() / scene_.views[i].image_file);
      write_image(pending.temporary(), image, {FileType::tiff, false});
      annotate::AnnotationInput input;
      annotate::annotate(pending.temporary(),
                         annotate::make_annotation(scene_, i, test::sample_setup(), {}, {}, input));
      pending.commit();
      add("prepared/" + scene_.views[i].image_file);
      PendingFile masked(prepared() / scene_.views[i].mask_file);
      write_image(masked.temporary(), mask, {FileType::png});
      masked.commit();
      add("prepared/" + scene_.views[i].mask_file);
    }
    for (const fs::path& file : exports::export_scene(scene_, prepared(), nullptr, {}).files) {
      add("prepared/" + file.generic_string());
    }
  }
  [[nodiscard]] fs::path root() const { return folder_.path(); }
  [[nodiscard]] fs::path prepared() const { return root() / "prepared"; }
  // Changes a text file and records the change, so that only the comparison can find it.
  void replace(const std::string& name, const std::string& from, const std::string& to) {
    std::string text = read_file(prepared() / name);
    const std::size_t at = text.find(from);
    ASSERT_NE(at, std::string::npos) << name;
    write_file(prepared() / name, text.replace(at, from.size(), to));
    record("prepared/" + name);
  }
  void record(const std::string& path) {
    std::erase_if(manifest.files, [&](const ManifestFile& file) { return file.path == path; });
    add(path);
  }

  Manifest manifest;

 private:
  void add(const std::string& path) {
    manifest.files.push_back({path, fs::file_size(root() / path), hash_file(root() / path)});
  }
  test::TemporaryFolder folder_;
  Scene scene_;
};

std::string faults(const VerifyResult& result) {
  std::string text;
  for (const Finding& finding : result.findings) text += finding.file + ": " + finding.what + "\n";
  return text;
}

TEST(Verify, AllFitsAfterARun) {
  const Prepared set;
  const VerifyResult result = verify(set.root(), set.manifest);
  EXPECT_EQ(faults(result), "");
  EXPECT_EQ(result.files, 15U);
  EXPECT_EQ(result.images, 3U);
  ASSERT_EQ(result.formats.size(), 5U);
  for (const FormatAgreement& format : result.formats) {
    EXPECT_LE(format.largest_px, format.allowed_px) << format.file;
  }
}

TEST(Verify, FindsMissingChangedAndForeignFiles) {
  Prepared set;
  fs::remove(set.prepared() / "masks/low_001.png");
  std::ofstream(set.prepared() / "centres.ply", std::ios::app) << "x";
  std::string text = read_file(set.prepared() / "scale.csv");
  text[text.size() - 3] = text[text.size() - 3] == '1' ? '2' : '1';
  write_file(set.prepared() / "scale.csv", text);
  std::ofstream(set.prepared() / "notes.txt") << "mine";
  const std::string found = faults(verify(set.root(), set.manifest));
  EXPECT_THAT(found, testing::HasSubstr("masks/low_001.png: The file is recorded but missing."));
  EXPECT_THAT(found, testing::HasSubstr("centres.ply: The file has"));
  EXPECT_THAT(found, testing::HasSubstr("scale.csv: The content differs"));
  EXPECT_THAT(found, testing::HasSubstr("notes.txt: The file does not belong to this run."));
}

TEST(Verify, FindsPosesThatDisagree) {
  for (const char* name : {"exterior.csv", "poses_matrix.csv", "poses_quaternion.csv"}) {
    Prepared set;
    // The last number of the first view, a millimetre or degree off in its first digits.
    const std::string text = read_file(set.prepared() / name);
    const std::size_t row = text.find("images/low_000.tif,");
    const std::size_t comma = text.find(',', row);
    const std::size_t end = text.find(',', comma + 1);
    const std::string number = text.substr(comma + 1, end - comma - 1);
    set.replace(name, "images/low_000.tif," + number + ",",
                "images/low_000.tif," + std::to_string(std::stod(number) + 0.01) + ",");
    EXPECT_THAT(
        faults(verify(set.root(), set.manifest)),
        testing::HasSubstr(std::string(name) + ": Points projected with this file differ by up"));
  }
}

TEST(Verify, FindsIntrinsicsThatDisagree) {
  Prepared set;
  set.replace("camera.yml", "5.2105", "5.2106");
  set.replace("cameras.gltf", "\"yfov\": 0.0767", "\"yfov\": 0.0768");
  const std::string found = faults(verify(set.root(), set.manifest));
  EXPECT_THAT(found, testing::HasSubstr("camera.yml: Points projected"));
}

TEST(Verify, FindsTiePointsThatDisagree) {
  Prepared set;
  set.replace("tie_points.ply", "\n3 0 1 ", "\n3 0 1.001 ");
  EXPECT_THAT(
      faults(verify(set.root(), set.manifest)),
      testing::HasSubstr("tie_points.ply: The tie points differ from those of cameras.gltf"));
}

TEST(Verify, FindsImagesWhoseMetadataAreOfAnotherPose) {
  Prepared set;
  fs::copy_file(set.prepared() / "images/low_001.tif", set.prepared() / "images/low_000.tif",
                fs::copy_options::overwrite_existing);
  set.record("prepared/images/low_000.tif");
  EXPECT_THAT(faults(verify(set.root(), set.manifest)),
              testing::HasSubstr("images/low_000.tif: XMP CameraFromWorld_rows does not agree"));
}

TEST(Verify, SaysWhenThereIsNothingToReadBack) {
  const test::TemporaryFolder folder;
  EXPECT_THAT(faults(verify(folder.path(), {})), testing::HasSubstr("cameras.json"));
  const auto run = test::run_trunnion({"verify", folder.path().string()});
  EXPECT_EQ(run.exit_code, 1);
  EXPECT_THAT(run.err, testing::HasSubstr("has no journal of a run"));
  EXPECT_EQ(test::run_trunnion({"verify", "/no/such/folder"}).exit_code, 2);
}

}  // namespace verify_test
}  // namespace trunnion::verify

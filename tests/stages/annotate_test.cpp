#include "stages/annotate.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "core/hash.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"
#include "tests/support/samples.h"

namespace trunnion {
namespace {

struct Case {
  FileType type;
  int depth;
};

fs::path write_sample(const fs::path& folder, const Case& c, const std::string& stem) {
  const fs::path file = folder / (stem + extension_of(c.type));
  write_image(file, test::sample_image(600, 400, c.depth, 3), {c.type, true, 97});
  return file;
}

Annotation annotation_for(const Metadata& source, const Case& c,
                          const OutputSettings& output = {}) {
  AnnotationInput input;
  input.type = c.type;
  input.bits = c.depth == CV_16U ? 16 : 8;
  input.source_hash = hash_bytes("fused");
  input.frames = 61;
  input.history = {"repair: 3 spots filled", "undistort: cubic, same size"};
  return make_annotation(test::sample_scene(), 3, test::sample_setup(), source, output, input);
}

std::string sentences(const Findings& findings) {
  std::string text;
  for (const Finding& finding : findings) text += finding.what + "\n";
  return text;
}

double exif_number(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? std::nan("") : static_cast<double>(at->toFloat());
}

class AnnotateTypes : public testing::TestWithParam<Case> {};
INSTANTIATE_TEST_SUITE_P(AllTypes, AnnotateTypes,
                         testing::Values(Case{FileType::tiff, CV_8U}, Case{FileType::tiff, CV_16U},
                                         Case{FileType::png, CV_8U}, Case{FileType::png, CV_16U},
                                         Case{FileType::jpeg, CV_8U}));

TEST_P(AnnotateTypes, KeepsProfileAndPixels) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  const cv::Mat before = read_image(file);
  Metadata source;
  source.icc = test::icc_profile(false);
  const Annotation annotation = annotation_for(source, GetParam());
  EXPECT_EQ(sentences(annotate(file, annotation)), "");
  const Metadata found = read_metadata(file);
  EXPECT_EQ(found.icc, source.icc);
  const cv::Mat after = read_image(file);
  EXPECT_EQ(cv::norm(before, after, cv::NORM_INF), 0.0);
}

TEST_P(AnnotateTypes, AllFocalLengthsLeadToTheSamePixels) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  annotate(file, annotation_for({}, GetParam()));
  const Metadata found = read_metadata(file);
  const Scene scene = test::sample_scene();
  const double focal_mm = exif_number(found, "Exif.Photo.FocalLength");
  EXPECT_NEAR(focal_mm * exif_number(found, "Exif.Photo.FocalPlaneXResolution") / 10.0,
              scene.camera.fx, 1e-5 * scene.camera.fx);
  EXPECT_EQ(exif_number(found, "Exif.Photo.FocalPlaneResolutionUnit"), 3);
  // 43.27 mm is the diagonal of the 36 mm x 24 mm frame.
  const double film = exif_number(found, "Exif.Photo.FocalLengthIn35mmFilm");
  if (!std::isnan(film)) {
    EXPECT_NEAR(film * std::hypot(600, 400) / std::hypot(36, 24), scene.camera.fx,
                1e-3 * scene.camera.fx);
  }
}

}  // namespace
}  // namespace trunnion

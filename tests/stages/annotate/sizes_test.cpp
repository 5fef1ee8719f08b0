// Metadata that a file type has no room for.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "stages/annotate/annotate.h"
#include "tests/support/annotated_sample.h"
#include "tests/support/open_data.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion::annotate {
namespace sizes_test {

using test::annotation_for;
using test::expect_kept;
using test::SampleCase;
using test::sentences;
using test::write_sample;

class AnnotateSizes : public testing::TestWithParam<SampleCase> {};
INSTANTIATE_TEST_SUITE_P(AllTypes, AnnotateSizes,
                         testing::Values(SampleCase{FileType::tiff, CV_8U},
                                         SampleCase{FileType::tiff, CV_16U},
                                         SampleCase{FileType::png, CV_8U},
                                         SampleCase{FileType::png, CV_16U},
                                         SampleCase{FileType::jpeg, CV_8U}));

// One JPEG segment holds 65,502 bytes of XMP (XMP specification part 3, 1.1.3).
TEST_P(AnnotateSizes, XmpTooLargeGoesToTheSidecar) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  Metadata source = test::rich_metadata();
  source.xmp["Xmp.dc.description"] = "lang=x-default " + std::string(80'000, 'x');
  const Annotation annotation = annotation_for(source, GetParam());
  EXPECT_EQ(sentences(annotate(file, annotation)), "");
  const Metadata found = read_metadata(file);
  expect_kept(source, found);
  EXPECT_NE(found.xmp.findKey(Exiv2::XmpKey("Xmp.trunnion.CameraFromWorld_rows")), found.xmp.end());
  const bool inside = found.xmp.findKey(Exiv2::XmpKey("Xmp.dc.description")) != found.xmp.end();
  EXPECT_EQ(inside, GetParam().type != FileType::jpeg);
  if (inside) return;
  EXPECT_THAT(sentences(annotation.findings),
              testing::HasSubstr("Xmp.dc.description was written to the sidecar"));
  EXPECT_THAT(*annotation.sidecar, testing::HasSubstr(std::string(80'000, 'x')));
}

// Exif that no JPEG can hold is named, tag by tag, not lost in silence.
TEST(AnnotateSize, ExifTooLargeForAJpegIsNamed) {
  const test::TemporaryFolder folder;
  const SampleCase jpeg{FileType::jpeg, CV_8U};
  const fs::path file = write_sample(folder.path(), jpeg, "view");
  Metadata source = test::rich_metadata();
  source.exif["Exif.Image.ImageDescription"] = std::string(70'000, 'x');
  const Annotation annotation = annotation_for(source, jpeg);
  EXPECT_THAT(sentences(annotate(file, annotation)),
              testing::HasSubstr("Exif.Image.ImageDescription could not be kept in the JPEG file"));
  expect_kept(source, read_metadata(file));
}

TEST_P(AnnotateSizes, MakerNoteTooLargeGoesToTheSidecar) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  const Metadata source = test::rich_metadata(60'000);
  const Annotation annotation = annotation_for(source, GetParam());
  EXPECT_EQ(sentences(annotate(file, annotation)), "");
  const Metadata found = read_metadata(file);
  expect_kept(source, found);
  const bool inside =
      found.exif.findKey(Exiv2::ExifKey("Exif.Photo.MakerNote")) != found.exif.end();
  EXPECT_EQ(inside, GetParam().type != FileType::jpeg);
  EXPECT_EQ(annotation.sidecar.has_value(), !inside);
  if (inside) return;
  EXPECT_THAT(sentences(annotation.findings), testing::HasSubstr("maker note of 60000 bytes"));
  EXPECT_THAT(*annotation.sidecar, testing::HasSubstr("MakerNote_base64"));
}

}  // namespace sizes_test
}  // namespace trunnion::annotate

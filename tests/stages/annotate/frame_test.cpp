// What a single frame of the series gives back to the fused image.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "stages/annotate/annotate.h"
#include "tests/support/annotated_sample.h"
#include "tests/support/open_data.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion::annotate {
namespace frame_test {

using test::sentences;
using test::tag_text;
using test::write_sample;

Annotation annotation_with(const Metadata& fused, const Metadata& frame, FileType type) {
  AnnotationInput input;
  input.type = type;
  input.frame = &frame;
  return make_annotation(test::sample_scene(), 0, test::sample_setup(), fused, {}, input);
}

TEST(AnnotateFrame, FillsWhatTheFusedImageLacks) {
  Metadata fused;
  fused.exif["Exif.Photo.ExposureTime"] = Exiv2::URational(1, 60);
  const Metadata frame = test::rich_metadata();
  const Annotation annotation = annotation_with(fused, frame, FileType::tiff);
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Photo.ExposureTime"), "1/60");
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Photo.DateTimeOriginal"), "2026:02:03 04:05:06");
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Image.Make"), "ACME  Optical ");
  EXPECT_NE(tag_text(annotation.metadata, "Exif.Photo.ImageUniqueID"),
            "00112233445566778899aabbccddeeff");
  // What else it holds; but not the date on which its file was changed, its profile or software.
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.GPSInfo.GPSLatitude"), "52/1 31/1 1234/100");
  EXPECT_EQ(annotation.metadata.iptc.count(), frame.iptc.count());
  EXPECT_NE(annotation.metadata.xmp.findKey(Exiv2::XmpKey("Xmp.catalogue.Number")),
            annotation.metadata.xmp.end());
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Image.DateTime"), "");
  EXPECT_EQ(annotation.metadata.icc, "");
  EXPECT_THAT(sentences(annotation.findings), testing::HasSubstr("were copied from the frame"));
}

// A time of one image must not get the fraction of a second of another, nor a latitude of one the
// longitude of another.
TEST(AnnotateFrame, GivesTagsOfOneThingTogetherOrNotAtAll) {
  Metadata fused;
  fused.exif["Exif.Photo.DateTimeOriginal"] = "2026:02:03 04:05:07";
  fused.exif["Exif.GPSInfo.GPSAltitude"] = Exiv2::URational(30, 1);
  Metadata frame = test::rich_metadata();
  frame.exif["Exif.Photo.SubSecTimeOriginal"] = "25";
  frame.exif["Exif.Image.0xc612"] = "1 4 0 0";  // a raw format's own version
  const Annotation annotation = annotation_with(fused, frame, FileType::tiff);
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Photo.DateTimeOriginal"), "2026:02:03 04:05:07");
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Photo.SubSecTimeOriginal"), "");
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.GPSInfo.GPSLatitude"), "");
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Image.0xc612"), "");
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Photo.ExposureTime"), "1/125");
}

TEST(AnnotateFrame, WithALargeMakerNoteDoesNotOverflowAJpeg) {
  const test::TemporaryFolder folder;
  const Metadata frame = test::rich_metadata(60'000);
  const fs::path file = write_sample(folder.path(), {FileType::jpeg, CV_8U}, "view");
  const Annotation annotation = annotation_with({}, frame, FileType::jpeg);
  EXPECT_EQ(sentences(annotate(file, annotation)), "");
  EXPECT_THAT(*annotation.sidecar, testing::HasSubstr("MakerNote_base64"));
}

}  // namespace frame_test
}  // namespace trunnion::annotate

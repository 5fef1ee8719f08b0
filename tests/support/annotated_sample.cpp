#include "tests/support/annotated_sample.h"

#include <gtest/gtest.h>

#include "core/hash.h"
#include "core/image_io.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion::test {

namespace fs = std::filesystem;

fs::path write_sample(const fs::path& folder, const SampleCase& c, const std::string& stem) {
  const fs::path file = folder / (stem + extension_of(c.type));
  write_image(file, sample_image(600, 400, c.depth, 3), {c.type, true, 97});
  return file;
}

annotate::Annotation annotation_for(const Metadata& source, const SampleCase& c,
                                    const OutputSettings& output) {
  annotate::AnnotationInput input;
  input.type = c.type;
  input.bits = c.depth == CV_16U ? 16 : 8;
  input.source_hash = hash_bytes("fused");
  input.frames = 61;
  input.history = {"repair: 3 spots filled", "undistort: cubic, same size"};
  return annotate::make_annotation(sample_scene(), 3, sample_setup(), source, output, input);
}

std::string sentences(const Findings& findings) {
  std::string text;
  for (const Finding& finding : findings) text += finding.what + "\n";
  return text;
}

void expect_kept(const Metadata& source, const Metadata& found) {
  EXPECT_EQ(found.icc, source.icc);
  for (const char* key :
       {"Exif.Image.Make", "Exif.Image.Model", "Exif.Image.Artist", "Exif.Image.DateTime",
        "Exif.Photo.DateTimeOriginal", "Exif.Photo.ExposureTime", "Exif.Photo.FNumber",
        "Exif.Photo.UserComment", "Exif.GPSInfo.GPSVersionID", "Exif.GPSInfo.GPSLatitudeRef",
        "Exif.GPSInfo.GPSLatitude"}) {
    const auto before = source.exif.findKey(Exiv2::ExifKey(key));
    const auto after = found.exif.findKey(Exiv2::ExifKey(key));
    ASSERT_NE(before, source.exif.end()) << key;
    ASSERT_NE(after, found.exif.end()) << key;
    EXPECT_EQ(before->typeId(), after->typeId()) << key;
    EXPECT_EQ(bytes_of(*before, true), bytes_of(*after, true)) << key;
  }
  ASSERT_EQ(found.iptc.count(), source.iptc.count());
  for (const Exiv2::Iptcdatum& datum : source.iptc) {
    EXPECT_EQ(found.iptc.findKey(Exiv2::IptcKey(datum.key()))->toString(), datum.toString());
  }
  for (const char* key : {"Xmp.dc.title", "Xmp.dc.creator", "Xmp.catalogue.Number"}) {
    const auto before = source.xmp.findKey(Exiv2::XmpKey(key));
    const auto after = found.xmp.findKey(Exiv2::XmpKey(key));
    ASSERT_NE(before, source.xmp.end()) << key;
    ASSERT_NE(after, found.xmp.end()) << key;
    EXPECT_EQ(after->toString(), before->toString()) << key;
  }
}

std::string tag_text(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? "" : at->toString();
}

}  // namespace trunnion::test

// What a PNG and a JPEG say in their own ways, over all types of the written image.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

#include "stages/annotate/annotate.h"
#include "stages/annotate/policy.h"
#include "tests/support/annotated_sample.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion::annotate {
namespace carried_test {

using test::sentences;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::Not;

const PngChunk kGamma{"gAMA", std::string("\0\0\xB1\x8F", 4)};
const PngChunk kSrgb{"sRGB", std::string(1, '\0')};
const PngChunk kTitle{"tEXt", std::string("Title\0Beetle", 12)};

TEST(AnnotateCarried, ChunksStayInAPng) {
  Metadata source;
  source.png = {kGamma, kSrgb, kTitle};
  const Carried carried = carry_metadata(source, {}, FileType::png, 3, "a");
  EXPECT_EQ(carried.metadata.png, source.png);
  EXPECT_THAT(sentences(carried.findings), IsEmpty());
}

TEST(AnnotateCarried, ChunksThatATiffOrJpegCannotHoldAreNamed) {
  for (const FileType type : {FileType::tiff, FileType::jpeg}) {
    Metadata source;
    source.png = {kGamma, kTitle};
    source.png_others = {"sBIT"};
    Carried carried = carry_metadata(source, {}, type, 3, "a");
    EXPECT_THAT(carried.metadata.png, IsEmpty());
    EXPECT_THAT(sentences(carried.findings), HasSubstr("gAMA"));
    EXPECT_THAT(sentences(carried.findings), HasSubstr("tEXt \"Title\""));
    EXPECT_THAT(sentences(carried.findings), HasSubstr("sBIT"));
    // What the colours mean is lost: more than a note.
    EXPECT_TRUE(std::any_of(carried.findings.begin(), carried.findings.end(), [](const auto& f) {
      return f.severity == Severity::doubt && f.what.find("gAMA") != std::string::npos;
    }));
    source.png.push_back(kSrgb);  // now it is only a fallback
    carried = carry_metadata(source, {}, type, 3, "a");
    EXPECT_FALSE(std::any_of(carried.findings.begin(), carried.findings.end(),
                             [](const auto& f) { return f.severity != Severity::note; }));
  }
}

// Exif 2.32, 4.6.5 A, ColorSpace: 1 is sRGB, 65535 uncalibrated.
TEST(AnnotateCarried, ExifSaysSrgbWhereThePngDoes) {
  for (const bool srgb : {false, true}) {
    Metadata source;
    if (srgb) source.png = {kSrgb};
    AnnotationInput input;
    input.type = FileType::tiff;
    const Annotation annotation =
        make_annotation(test::sample_scene(), 3, test::sample_setup(), source, {}, input);
    const auto space = annotation.metadata.exif.findKey(Exiv2::ExifKey("Exif.Photo.ColorSpace"));
    ASSERT_NE(space, annotation.metadata.exif.end());
    EXPECT_EQ(space->toString(), srgb ? "1" : "65535");
  }
}

TEST(AnnotateCarried, SoftwareOfAPngGoesToTheHistory) {
  Metadata source;
  source.png = {{"tEXt", std::string("Software\0fuser 3.1", 18)}};
  const Carried carried = carry_metadata(source, {}, FileType::png, 3, "a");
  EXPECT_EQ(carried.software, "fuser 3.1");
  EXPECT_THAT(carried.metadata.png, IsEmpty());
  EXPECT_THAT(sentences(carried.findings), HasSubstr("Software"));
}

TEST(AnnotateCarried, CommentOfAJpegStaysInAJpegOnly) {
  Metadata source;
  source.comment = "under the third lamp";
  const Carried kept = carry_metadata(source, {}, FileType::jpeg, 3, "a");
  EXPECT_EQ(kept.metadata.comment, source.comment);
  EXPECT_THAT(sentences(kept.findings), IsEmpty());
  const Carried dropped = carry_metadata(source, {}, FileType::tiff, 3, "a");
  EXPECT_THAT(sentences(dropped.findings), HasSubstr("comment"));
}

}  // namespace carried_test
}  // namespace trunnion::annotate

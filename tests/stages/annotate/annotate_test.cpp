#include "stages/annotate/annotate.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <set>

#include "core/files.h"
#include "core/hash.h"
#include "core/image_io.h"
#include "tests/support/annotated_sample.h"
#include "tests/support/open_data.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion::annotate {
namespace annotate_test {

using test::annotation_for;
using test::expect_kept;
using test::SampleCase;
using test::sentences;
using test::tag_text;
using test::write_sample;

double exif_number(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? std::nan("") : static_cast<double>(at->toFloat());
}

class AnnotateTypes : public testing::TestWithParam<SampleCase> {};
INSTANTIATE_TEST_SUITE_P(AllTypes, AnnotateTypes,
                         testing::Values(SampleCase{FileType::tiff, CV_8U},
                                         SampleCase{FileType::tiff, CV_16U},
                                         SampleCase{FileType::png, CV_8U},
                                         SampleCase{FileType::png, CV_16U},
                                         SampleCase{FileType::jpeg, CV_8U}));

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

// TIFF 6.0, section 2, type 2: the last byte of an ASCII value is NUL and counted;
// Exif 2.32, 4.6.2.
TEST_P(AnnotateTypes, TextEndsInNul) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  annotate(file, annotation_for({}, GetParam()));
  int texts = 0;
  for (const Exiv2::Exifdatum& datum : read_metadata(file).exif) {
    if (datum.typeId() != Exiv2::asciiString) continue;
    std::vector<Exiv2::byte> bytes(static_cast<std::size_t>(datum.size()));
    datum.copy(bytes.data(), Exiv2::littleEndian);
    ASSERT_FALSE(bytes.empty()) << datum.key();
    EXPECT_EQ(bytes.back(), 0) << datum.key();
    ++texts;
  }
  EXPECT_GE(texts, 3);
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

// The policy as a matrix of file types (by type of the source) and kinds of metadata.
TEST_P(AnnotateTypes, KeepsWhatThePolicyKeepsAndReportsTheRest) {
  const test::TemporaryFolder folder;
  const fs::path original = write_sample(folder.path(), GetParam(), "source");
  EXPECT_THAT(write_metadata(original, GetParam().type, test::rich_metadata()), testing::IsEmpty());
  const std::string bytes_before = read_file(original);
  const Metadata source = read_metadata(original);
  EXPECT_EQ(read_file(original), bytes_before);

  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  const Annotation annotation = annotation_for(source, GetParam());
  EXPECT_EQ(sentences(annotate(file, annotation)), "");
  const Metadata found = read_metadata(file);
  expect_kept(source, found);
  const auto note = found.exif.findKey(Exiv2::ExifKey("Exif.Photo.MakerNote"));
  ASSERT_NE(note, found.exif.end());
  EXPECT_EQ(bytes_of(*note, true),
            bytes_of(*source.exif.findKey(Exiv2::ExifKey("Exif.Photo.MakerNote")), true));
  // Changed, with the reason where it is not obvious.
  EXPECT_EQ(tag_text(found, "Exif.Image.Orientation"), "1");
  EXPECT_NE(tag_text(found, "Exif.Photo.ImageUniqueID"), "00112233445566778899aabbccddeeff");
  EXPECT_TRUE(tag_text(found, "Exif.Image.Software").starts_with("trunnion "));
  EXPECT_EQ(found.xmp.findKey(Exiv2::XmpKey("Xmp.tiff.Orientation")), found.xmp.end());
  EXPECT_THAT(sentences(annotation.findings), testing::HasSubstr("XMP copies"));
  // The earlier program stands first in the history.
  const auto agent = found.xmp.findKey(Exiv2::XmpKey("Xmp.xmpMM.History[1]/stEvt:softwareAgent"));
  ASSERT_NE(agent, found.xmp.end());
  EXPECT_EQ(agent->toString(), "fuser 3.1");
}

// A source of the other byte order ("MM"): values stay what they were, opaque bytes byte for byte.
TEST_P(AnnotateTypes, KeepsASourceOfTheOtherByteOrder) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  Metadata source = test::rich_metadata();
  source.little_endian = false;
  EXPECT_EQ(sentences(annotate(file, annotation_for(source, GetParam()))), "");
  const Metadata found = read_metadata(file);
  expect_kept(source, found);
  EXPECT_EQ(found.little_endian, GetParam().type == FileType::tiff);
  EXPECT_EQ(bytes_of(*found.exif.findKey(Exiv2::ExifKey("Exif.Photo.MakerNote")), true),
            bytes_of(*source.exif.findKey(Exiv2::ExifKey("Exif.Photo.MakerNote")), true));
}

// A profile over several JPEG segments (ICC.1, annex B.4).
TEST_P(AnnotateTypes, KeepsALargeProfileByteForByte) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  Metadata source;
  source.icc = test::icc_profile(false);
  while (source.icc.size() < 200'000) source.icc += static_cast<char>(source.icc.size() * 13);
  for (std::size_t i = 0; i < 4; ++i) {  // size, big-endian
    source.icc[i] = static_cast<char>((source.icc.size() >> (24 - 8 * i)) & 0xFFU);
  }
  EXPECT_EQ(sentences(annotate(file, annotation_for(source, GetParam()))), "");
  EXPECT_EQ(read_metadata(file).icc, source.icc);
}

TEST(Annotate, ThumbnailIsMadeAgainOrLeftOutWithTheReason) {
  const test::TemporaryFolder folder;
  Metadata source = test::rich_metadata();
  const std::string old = test::jpeg_bytes(cv::Mat(40, 60, CV_8UC3, cv::Scalar(0, 0, 255)));
  Exiv2::ExifThumb(source.exif)
      .setJpegThumbnail(reinterpret_cast<const Exiv2::byte*>(old.data()),
                        static_cast<long>(old.size()));
  AnnotationInput input;
  input.type = FileType::jpeg;
  input.thumbnail_jpeg = test::jpeg_bytes(cv::Mat(40, 60, CV_8UC3, cv::Scalar(255, 0, 0)));
  const SampleCase jpeg{FileType::jpeg, CV_8U};
  const fs::path file = write_sample(folder.path(), jpeg, "view");
  const Annotation again =
      make_annotation(test::sample_scene(), 0, test::sample_setup(), source, {}, input);
  EXPECT_EQ(sentences(annotate(file, again)), "");
  const Metadata found = read_metadata(file);
  const Exiv2::DataBuf thumb = Exiv2::ExifThumbC(found.exif).copy();
  EXPECT_EQ(std::string(reinterpret_cast<const char*>(thumb.pData_),
                        static_cast<std::size_t>(thumb.size_)),
            input.thumbnail_jpeg);
  EXPECT_THAT(sentences(again.findings), testing::HasSubstr("made again"));
  EXPECT_THAT(sentences(annotation_for(source, {FileType::tiff, CV_8U}).findings),
              testing::HasSubstr("thumbnail was left out"));
}

TEST(Annotate, ProfileThatDoesNotFitIsRefusedAloud) {
  Metadata source;
  source.icc = test::icc_profile(true);
  const Annotation annotation = annotation_for(source, {FileType::tiff, CV_8U});
  EXPECT_TRUE(annotation.metadata.icc.empty());
  EXPECT_THAT(sentences(annotation.findings), testing::HasSubstr("colour profile is for \"GRAY\""));
}

// From a source that says nothing, exactly these tags come: none is invented.
TEST(Annotate, WritesTheseTagsAndNoOthers) {
  const std::set<std::string> expected{"Exif.Image.Model",
                                       "Exif.Image.Orientation",
                                       "Exif.Image.ResolutionUnit",
                                       "Exif.Image.Software",
                                       "Exif.Image.XResolution",
                                       "Exif.Image.YResolution",
                                       "Exif.Photo.ColorSpace",
                                       "Exif.Photo.CompositeImage",
                                       "Exif.Photo.ExifVersion",
                                       "Exif.Photo.FNumber",
                                       "Exif.Photo.FlashpixVersion",
                                       "Exif.Photo.FocalLength",
                                       "Exif.Photo.FocalPlaneResolutionUnit",
                                       "Exif.Photo.FocalPlaneXResolution",
                                       "Exif.Photo.FocalPlaneYResolution",
                                       "Exif.Photo.ImageUniqueID",
                                       "Exif.Photo.LensModel",
                                       "Exif.Photo.LensSerialNumber",
                                       "Exif.Photo.SubjectDistance"};
  const Annotation annotation =
      make_annotation(test::sample_scene(), 0, test::sample_setup(), {}, {}, {});
  std::set<std::string> found;
  for (const Exiv2::Exifdatum& datum : annotation.metadata.exif) {
    if (datum.key() != "Exif.Photo.FocalLengthIn35mmFilm") found.insert(datum.key());
  }
  EXPECT_EQ(found, expected);
}

// Every property of our namespace and every Exif tag that is written stands in the documentation.
TEST(Annotate, DocumentationNamesEveryTag) {
  const std::string page = read_file(test::source_folder() / "docs" / "formats.md");
  AnnotationInput input;
  input.type = FileType::jpeg;
  input.frames = 61;
  input.source_hash = "0";
  Scene scene = test::sample_scene();
  for (const auto projection : {Projection::perspective, Projection::telecentric}) {
    scene.camera.projection = projection;
    const Annotation annotation =
        make_annotation(scene, 0, test::sample_setup(), test::rich_metadata(60'000), {}, input);
    for (const Exiv2::Xmpdatum& datum : annotation.metadata.xmp) {
      if (datum.groupName() != kNamespacePrefix) continue;
      EXPECT_NE(page.find(datum.tagName()), std::string::npos) << datum.key();
    }
    const Annotation fresh = make_annotation(scene, 0, test::sample_setup(), {}, {}, input);
    for (const Exiv2::Exifdatum& datum : fresh.metadata.exif) {
      EXPECT_NE(page.find(datum.tagName()), std::string::npos) << datum.key();
    }
  }
}

TEST(Annotate, LensFocalLengthIsKeptBySetting) {
  OutputSettings output;
  output.keep_lens_focal_length = true;
  const Annotation annotation = annotation_for({}, {FileType::tiff, CV_8U}, output);
  EXPECT_EQ(exif_number(annotation.metadata, "Exif.Photo.FocalLength"), 100);
}

// Pitches whose resolutions have endless decimals: the fractions lead to fx all the same, and stay
// below 2^31 for readers that take them for signed numbers.
TEST(Annotate, FractionsAreExactEnoughForEveryPitch) {
  for (const double pitch_um : {28.0, 84.0, 3.45, 5.98333, 0.7, 211.0}) {
    Scene scene = test::sample_scene();
    scene.pixel_pitch_um = pitch_um;
    const Annotation annotation = make_annotation(scene, 0, test::sample_setup(), {}, {}, {});
    const auto fraction = [&](const char* key) {
      const auto at = annotation.metadata.exif.findKey(Exiv2::ExifKey(key));
      const auto& value = dynamic_cast<const Exiv2::URationalValue&>(at->value()).value_.at(0);
      EXPECT_LT(value.first, 1U << 31U) << key;
      return static_cast<double>(value.first) / value.second;
    };
    const double pixels =
        fraction("Exif.Photo.FocalLength") * fraction("Exif.Photo.FocalPlaneXResolution") / 10.0;
    EXPECT_NEAR(pixels / scene.camera.fx, 1.0, 2e-8) << pitch_um;
  }
}

TEST(Annotate, TelecentricCameraClaimsNoPrincipalDistance) {
  Scene scene = test::sample_scene();
  scene.camera.projection = Projection::telecentric;
  scene.camera.fx = scene.camera.fy = 25;
  const Annotation annotation = make_annotation(scene, 0, test::sample_setup(), {}, {}, {});
  EXPECT_EQ(exif_number(annotation.metadata, "Exif.Photo.FocalLength"), 100);
  EXPECT_EQ(tag_text(annotation.metadata, "Exif.Photo.FocalLengthIn35mmFilm"), "");
  const auto scale =
      annotation.metadata.xmp.findKey(Exiv2::XmpKey("Xmp.trunnion.ScaleX_px_per_mm"));
  ASSERT_NE(scale, annotation.metadata.xmp.end());
  EXPECT_EQ(scale->toString(), "25");
}

// Working f-number N (1 + m / p), the bellows factor of close-up handbooks: N 8 at 1:1 is 16; with
// a pupil magnification of 0.5 it is 24.
TEST(Annotate, EffectiveFNumberFollowsTheBellowsFactor) {
  trunnion::Setup setup = test::sample_setup();
  EXPECT_DOUBLE_EQ(effective_f_number(setup), 16.0);
  setup.pupil_magnification = 0.5;
  EXPECT_DOUBLE_EQ(effective_f_number(setup), 24.0);
}

TEST(Annotate, NoHistoryLosesNothing) {
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), {FileType::tiff, CV_8U}, "view");
  const Annotation annotation =
      make_annotation(test::sample_scene(), 0, test::sample_setup(), {}, {}, {});
  EXPECT_EQ(sentences(annotate(file, annotation)), "");
}

TEST(Annotate, IsTheSameTwice) {
  const test::TemporaryFolder folder;
  for (const FileType type : {FileType::tiff, FileType::png, FileType::jpeg}) {
    const fs::path a = write_sample(folder.path(), {type, CV_8U}, "a");
    const fs::path b = write_sample(folder.path(), {type, CV_8U}, "b");
    annotate(a, annotation_for(test::rich_metadata(), {type, CV_8U}));
    annotate(b, annotation_for(test::rich_metadata(), {type, CV_8U}));
    EXPECT_EQ(read_file(a), read_file(b)) << name_of(type);
  }
}

}  // namespace annotate_test
}  // namespace trunnion::annotate

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

// A source with something of every kind, as found in the wild.
Metadata rich_source(std::size_t maker_note_bytes = 3000) {
  initialise_metadata();
  Exiv2::XmpProperties::registerNs("http://museum.example/catalogue/", "catalogue");
  Metadata source;
  source.icc = test::icc_profile(false);
  source.exif["Exif.Image.Make"] = "ACME  Optical ";  // double and trailing spaces stay
  source.exif["Exif.Image.Model"] = "model 7  ";
  source.exif["Exif.Image.Artist"] = "M. Example";
  source.exif["Exif.Image.Software"] = "fuser 3.1";
  source.exif["Exif.Image.Orientation"] = std::uint16_t{6};
  source.exif["Exif.Image.DateTime"] = "2026:02:03 04:05:06";
  source.exif["Exif.Photo.DateTimeOriginal"] = "2026:02:03 04:05:06";
  source.exif["Exif.Photo.ExposureTime"] = Exiv2::URational(1, 125);
  source.exif["Exif.Photo.FNumber"] = Exiv2::URational(56, 10);
  source.exif["Exif.Photo.UserComment"] =
      "charset=Unicode K\xC3\xA4"
      "fer";
  source.exif["Exif.Photo.FocalLength"] = Exiv2::URational(100, 1);
  source.exif["Exif.Photo.ImageUniqueID"] = "00112233445566778899aabbccddeeff";
  std::string note = "\x01\x02opaque";
  while (note.size() < maker_note_bytes) note += static_cast<char>(note.size() * 7);
  Exiv2::DataValue value(Exiv2::undefined);
  value.read(reinterpret_cast<const Exiv2::byte*>(note.data()), static_cast<long>(note.size()));
  source.exif.add(Exiv2::ExifKey("Exif.Photo.MakerNote"), &value);
  source.exif["Exif.GPSInfo.GPSVersionID"] = "2 3 0 0";
  source.exif["Exif.GPSInfo.GPSLatitudeRef"] = "N";
  source.exif["Exif.GPSInfo.GPSLatitude"] = "52/1 31/1 1234/100";
  source.iptc["Iptc.Application2.Caption"] = "Glass beetle";
  source.iptc["Iptc.Application2.ObjectName"] = "GB-7";
  source.xmp["Xmp.dc.title"] = "lang=x-default Glass beetle 7";
  source.xmp["Xmp.dc.creator"] = "M. Example";
  source.xmp["Xmp.catalogue.Number"] = "GB-7/2026";
  source.xmp["Xmp.tiff.Orientation"] = "6";
  return source;
}

// What the policy says stays identical, by kind.
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

std::string text(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? "" : at->toString();
}

// The policy as a matrix of file types (by type of the source) and kinds of metadata.
TEST_P(AnnotateTypes, KeepsWhatThePolicyKeepsAndReportsTheRest) {
  const test::TemporaryFolder folder;
  const fs::path original = write_sample(folder.path(), GetParam(), "source");
  EXPECT_THAT(write_metadata(original, GetParam().type, rich_source()), testing::IsEmpty());
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
  EXPECT_EQ(text(found, "Exif.Image.Orientation"), "1");
  EXPECT_NE(text(found, "Exif.Photo.ImageUniqueID"), "00112233445566778899aabbccddeeff");
  EXPECT_TRUE(text(found, "Exif.Image.Software").starts_with("trunnion "));
  EXPECT_EQ(found.xmp.findKey(Exiv2::XmpKey("Xmp.tiff.Orientation")), found.xmp.end());
  EXPECT_THAT(sentences(annotation.findings), testing::HasSubstr("XMP copies"));
  // The earlier program stands first in the history.
  const auto agent = found.xmp.findKey(Exiv2::XmpKey("Xmp.xmpMM.History[1]/stEvt:softwareAgent"));
  ASSERT_NE(agent, found.xmp.end());
  EXPECT_EQ(agent->toString(), "fuser 3.1");
}

TEST_P(AnnotateTypes, MakerNoteTooLargeGoesToTheSidecar) {
  if (GetParam().depth == CV_16U) GTEST_SKIP() << "the depth plays no part";
  const test::TemporaryFolder folder;
  const fs::path file = write_sample(folder.path(), GetParam(), "view");
  const Metadata source = rich_source(60'000);
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

TEST(Annotate, ThumbnailIsMadeAnewOrLeftOutWithTheReason) {
  const test::TemporaryFolder folder;
  Metadata source = rich_source();
  const std::string old = test::jpeg_bytes(cv::Mat(40, 60, CV_8UC3, cv::Scalar(0, 0, 255)));
  Exiv2::ExifThumb(source.exif)
      .setJpegThumbnail(reinterpret_cast<const Exiv2::byte*>(old.data()),
                        static_cast<long>(old.size()));
  AnnotationInput input;
  input.type = FileType::jpeg;
  input.thumbnail_jpeg = test::jpeg_bytes(cv::Mat(40, 60, CV_8UC3, cv::Scalar(255, 0, 0)));
  const Case jpeg{FileType::jpeg, CV_8U};
  const fs::path file = write_sample(folder.path(), jpeg, "view");
  const Annotation anew =
      make_annotation(test::sample_scene(), 0, test::sample_setup(), source, {}, input);
  annotate(file, anew);
  const Metadata found = read_metadata(file);
  const Exiv2::DataBuf thumb = Exiv2::ExifThumbC(found.exif).copy();
  EXPECT_EQ(std::string(reinterpret_cast<const char*>(thumb.pData_),
                        static_cast<std::size_t>(thumb.size_)),
            input.thumbnail_jpeg);
  EXPECT_THAT(sentences(anew.findings), testing::HasSubstr("made anew"));
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

TEST(Annotate, SingleFrameFillsWhatTheFusedImageLacks) {
  Metadata fused;
  fused.exif["Exif.Photo.ExposureTime"] = Exiv2::URational(1, 60);
  const Metadata frame = rich_source();
  AnnotationInput input;
  input.frame = &frame;
  const Annotation annotation =
      make_annotation(test::sample_scene(), 0, test::sample_setup(), fused, {}, input);
  EXPECT_EQ(text(annotation.metadata, "Exif.Photo.ExposureTime"), "1/60");
  EXPECT_EQ(text(annotation.metadata, "Exif.Photo.DateTimeOriginal"), "2026:02:03 04:05:06");
  EXPECT_EQ(text(annotation.metadata, "Exif.Image.Make"), "ACME  Optical ");
  EXPECT_NE(text(annotation.metadata, "Exif.Photo.ImageUniqueID"),
            "00112233445566778899aabbccddeeff");
}

TEST(Annotate, LensFocalLengthIsKeptBySetting) {
  OutputSettings output;
  output.keep_lens_focal_length = true;
  const Annotation annotation = annotation_for({}, {FileType::tiff, CV_8U}, output);
  EXPECT_EQ(exif_number(annotation.metadata, "Exif.Photo.FocalLength"), 100);
}

TEST(Annotate, TelecentricCameraClaimsNoPrincipalDistance) {
  Scene scene = test::sample_scene();
  scene.camera.projection = Projection::telecentric;
  scene.camera.fx = scene.camera.fy = 25;
  const Annotation annotation = make_annotation(scene, 0, test::sample_setup(), {}, {}, {});
  EXPECT_EQ(exif_number(annotation.metadata, "Exif.Photo.FocalLength"), 100);
  EXPECT_EQ(text(annotation.metadata, "Exif.Photo.FocalLengthIn35mmFilm"), "");
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
    annotate(a, annotation_for(rich_source(), {type, CV_8U}));
    annotate(b, annotation_for(rich_source(), {type, CV_8U}));
    EXPECT_EQ(read_file(a), read_file(b)) << name_of(type);
  }
}

}  // namespace
}  // namespace trunnion

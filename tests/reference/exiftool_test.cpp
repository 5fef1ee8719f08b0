// Metadata of written images, read and validated by exiftool (Debian libimage-exiftool-perl); each
// test skips, saying why, where it is not installed.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <map>
#include <nlohmann/json.hpp>
#include <sstream>

#include "core/image_io.h"
#include "core/text.h"
#include "tests/support/open_data.h"
#include "tests/support/outside_programs.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion {
namespace exiftool_test {

using test::installed;
using test::run;

// All a source may hold, without the maker note (its make-believe bytes are none that a reader of
// maker notes could take).
Metadata carried_source() {
  Metadata source = test::rich_metadata();
  source.exif.erase(source.exif.findKey(Exiv2::ExifKey("Exif.Photo.MakerNote")));
  // exiftool asks for it in TIFF, though the standard leaves it open.
  source.exif["Exif.GPSInfo.GPSProcessingMethod"] = "charset=Ascii GPS";
  return source;
}

Metadata profile_only() {
  Metadata source;
  source.icc = test::icc_profile(false);
  return source;
}

fs::path annotated(const fs::path& folder, FileType type, int depth, bool compress = true,
                   const Metadata& source = profile_only()) {
  const fs::path file = folder / (std::string("view") + extension_of(type));
  write_image(file, test::sample_image(600, 400, depth, 3), {type, compress, 97});
  annotate::annotate(file, test::annotation_of(type, source));
  return file;
}

nlohmann::json exiftool_json(const fs::path& file) {
  return nlohmann::json::parse(run("exiftool -j -n -struct -G1 '" + file.string() + "'").out).at(0);
}

struct ImageCase {
  FileType type;
  int depth;
};
class ExifTool : public testing::TestWithParam<ImageCase> {};
INSTANTIATE_TEST_SUITE_P(AllTypes, ExifTool,
                         testing::Values(ImageCase{FileType::tiff, CV_8U},
                                         ImageCase{FileType::tiff, CV_16U},
                                         ImageCase{FileType::png, CV_8U},
                                         ImageCase{FileType::png, CV_16U},
                                         ImageCase{FileType::jpeg, CV_8U}));

// Independent reader: exiftool (Debian libimage-exiftool-perl).
TEST_P(ExifTool, ReadsEveryTagWithTheRightValue) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const auto tags = exiftool_json(annotated(folder.path(), GetParam().type, GetParam().depth));
  const Scene scene = test::sample_scene();
  EXPECT_NEAR(tags["ExifIFD:FocalLength"], 208.42, 1e-6);  // 5210.5 px of 0.04 mm
  const double per_cm = tags["ExifIFD:FocalPlaneXResolution"];
  EXPECT_NEAR(per_cm * tags["ExifIFD:FocalLength"].get<double>() / 10, 5210.5, 1e-3);
  EXPECT_EQ(tags["ExifIFD:FocalPlaneResolutionUnit"], 3);
  EXPECT_EQ(tags["ExifIFD:FNumber"], 8);
  EXPECT_EQ(tags["ExifIFD:SubjectDistance"], 0.2);
  EXPECT_EQ(tags["ExifIFD:LensModel"], "macro lens 100 mm");
  EXPECT_EQ(tags["ExifIFD:LensSerialNumber"], "L-17");
  EXPECT_EQ(tags["IFD0:Model"], "bench body 1");
  EXPECT_EQ(tags["IFD0:Orientation"], 1);
  EXPECT_EQ(tags["ExifIFD:ImageUniqueID"].get<std::string>().size(), 32U);
  EXPECT_EQ(tags["ExifIFD:CompositeImage"], 2);
  EXPECT_EQ(tags["ExifIFD:CompositeImageCount"], "61 61");
  EXPECT_TRUE(tags["IFD0:Software"].get<std::string>().starts_with("trunnion "));
  // 16 at the sensor: 8 (1 + m) at 1:1, as the optics handbook has it.
  EXPECT_EQ(tags["XMP-trunnion:EffectiveFNumber"], 16);
  EXPECT_EQ(tags["XMP-trunnion:Ring"], "low");
  EXPECT_EQ(tags["XMP-trunnion:StageAngle_deg"], 135);
  EXPECT_EQ(tags["XMP-trunnion:MaskFile"], "masks/low_003.png");
  ASSERT_EQ(tags["XMP-trunnion:CameraFromWorld_rows"].size(), 9U);
  for (std::size_t i = 0; i < 9; ++i) {
    const auto& value = tags["XMP-trunnion:CameraFromWorld_rows"][i];
    const double number =
        value.is_string() ? std::stod(value.get<std::string>()) : value.get<double>();
    EXPECT_NEAR(number, scene.views[3].pose.R(static_cast<int>(i / 3), static_cast<int>(i % 3)),
                1e-12);
  }
  EXPECT_EQ(tags["XMP-xmpMM:History"].size(), 2U);
}

// `-validate -warning -a`: no complaint. exiftool takes TIFF 6.0's own codings only, so deflate (of
// a later supplement) would draw one; TIFF is LZW or uncompressed.
TEST_P(ExifTool, ValidatesWithoutComplaint) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  for (const bool compress : {false, true}) {
    const fs::path file = annotated(folder.path(), GetParam().type, GetParam().depth, compress);
    EXPECT_EQ(run("exiftool -s3 -a -validate -warning -error '" + file.string() + "'").out, "OK\n");
    if (GetParam().type == FileType::tiff) {
      EXPECT_EQ(run("exiftool -s3 -n -Compression '" + file.string() + "'").out,
                compress ? "5\n" : "1\n");
    }
  }
}

// The same of files that carry all a source can hold, with a setup's text in UTF-8.
TEST_P(ExifTool, ValidatesAllThatIsCarried) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const fs::path file =
      annotated(folder.path(), GetParam().type, GetParam().depth, true, carried_source());
  EXPECT_EQ(run("exiftool -s3 -a -validate -warning -error '" + file.string() + "'").out, "OK\n");
}

std::vector<double> numbers_in(const std::string& text) {
  std::vector<double> values;
  std::istringstream words(text);
  std::string word;
  while (words >> word) {
    char* end = nullptr;
    const double value = std::strtod(word.c_str(), &end);
    if (*end == '/')
      values.push_back(value / std::strtod(end + 1, nullptr));
    else if (*end == '\0')
      values.push_back(value);
  }
  return values;
}

std::string text_of(const nlohmann::json& value) {
  return value.is_string() ? value.get<std::string>() : value.dump();
}

// Every tag written, found by its number, has the value that was meant.
TEST_P(ExifTool, ReadsEveryTagThatWasWritten) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const Metadata source = carried_source();
  const fs::path file = annotated(folder.path(), GetParam().type, GetParam().depth, true, source);
  const Metadata meant = test::annotation_of(GetParam().type, source).metadata;
  const auto tags =
      nlohmann::json::parse(run("exiftool -j -n -D -G1 -a -u '" + file.string() + "'").out).at(0);
  const std::map<std::string, std::string> groups{
      {"Image", "IFD0:"}, {"Photo", "ExifIFD:"}, {"GPSInfo", "GPS:"}};
  int compared = 0;
  for (const Exiv2::Exifdatum& datum : meant.exif) {
    nlohmann::json found;
    for (const auto& [name, entry] : tags.items()) {
      if (name.starts_with(groups.at(datum.groupName())) && entry.is_object() &&
          entry.at("id") == datum.tag()) {
        found = entry.at("val");
      }
    }
    ASSERT_FALSE(found.is_null()) << datum.key();
    ++compared;
    if (datum.typeId() == Exiv2::undefined || datum.typeId() == Exiv2::comment) continue;
    if (datum.typeId() == Exiv2::asciiString) {
      // exiftool takes spaces off the end when it prints.
      std::string expected = datum.toString();
      expected.erase(expected.find_last_not_of(' ') + 1);
      EXPECT_EQ(text_of(found), expected) << datum.key();
      continue;
    }
    std::vector<double> expected = numbers_in(datum.toString());
    const std::vector<double> values = numbers_in(text_of(found));
    if (datum.key() == "Exif.GPSInfo.GPSLatitude") {  // printed in degrees
      expected = {expected[0] + expected[1] / 60 + expected[2] / 3600};
    }
    ASSERT_EQ(values.size(), expected.size()) << datum.key() << " " << found;
    for (std::size_t i = 0; i < values.size(); ++i) {
      EXPECT_NEAR(values[i], expected[i], 1e-8 * std::max(1.0, std::abs(expected[i])))
          << datum.key();
    }
  }
  EXPECT_GE(compared, 28);
}

// Every property of the project's namespace, likewise.
TEST_P(ExifTool, ReadsEveryPropertyThatWasWritten) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const auto tags = exiftool_json(annotated(folder.path(), GetParam().type, GetParam().depth));
  int compared = 0;
  for (const Exiv2::Xmpdatum& datum : test::annotation_of(GetParam().type, {}).metadata.xmp) {
    if (datum.groupName() != kNamespacePrefix) continue;
    ASSERT_TRUE(tags.contains("XMP-trunnion:" + datum.tagName())) << datum.key();
    const nlohmann::json& found = tags["XMP-trunnion:" + datum.tagName()];
    const bool list = datum.typeId() != Exiv2::xmpText;
    ASSERT_EQ(found.is_array(), list) << datum.key();
    const long count = list ? datum.count() : 1;
    for (long i = 0; i < count; ++i) {
      const std::string expected = list ? datum.toString(i) : datum.toString();
      const std::string value = text_of(list ? found[static_cast<std::size_t>(i)] : found);
      // A number may come in another notation.
      EXPECT_TRUE(value == expected ||
                  std::strtod(value.c_str(), nullptr) == std::strtod(expected.c_str(), nullptr))
          << datum.key() << ": " << value << " for " << expected;
    }
    ++compared;
  }
  EXPECT_GE(compared, 30);
}

TEST_P(ExifTool, ExtractsTheProfileByteForByte) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const fs::path file = annotated(folder.path(), GetParam().type, GetParam().depth);
  EXPECT_EQ(run("exiftool -b -icc_profile '" + file.string() + "'").out, test::icc_profile(false));
}

}  // namespace exiftool_test
}  // namespace trunnion

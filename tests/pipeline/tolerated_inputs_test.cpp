// What `[limits]` may tolerate: an error by default, a doubt that names the image where it is set.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <opencv2/imgcodecs.hpp>

#include "core/error.h"
#include "core/files.h"
#include "core/image_io.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace tolerated_inputs_test {

namespace fs = std::filesystem;
using testing::HasSubstr;

void put(std::string& bytes, std::uint32_t value, int size) {
  for (int i = 0; i < size; ++i) bytes += static_cast<char>(value >> (8 * i) & 0xFFU);
}

// A 16-bit RGB TIFF of uncompressed strips whose directory stands before its pixels (TIFF 6.0,
// section 2), as from a writer that streams: cut off, it keeps its head. The caller gives the
// orientation.
std::string directory_first(const cv::Mat& image, std::uint32_t orientation) {
  constexpr int kStripRows = 8;
  const auto width = static_cast<std::uint32_t>(image.cols);
  const auto height = static_cast<std::uint32_t>(image.rows);
  const std::uint32_t strips = (height + kStripRows - 1) / kStripRows;
  const std::uint32_t row_bytes = width * 6;
  constexpr std::uint32_t kEntries = 10;
  const std::uint32_t bits_at = 8 + 2 + kEntries * 12 + 4;
  const std::uint32_t offsets_at = bits_at + 6;
  const std::uint32_t counts_at = offsets_at + 4 * strips;
  const std::uint32_t pixels_at = counts_at + 4 * strips;
  std::string bytes = "II";
  put(bytes, 42, 2);
  put(bytes, 8, 4);
  put(bytes, kEntries, 2);
  const auto entry = [&bytes](std::uint32_t tag, std::uint32_t type, std::uint32_t count,
                              std::uint32_t value) {
    put(bytes, tag, 2);
    put(bytes, type, 2);
    put(bytes, count, 4);
    put(bytes, value, 4);
  };
  entry(256, 4, 1, width);
  entry(257, 4, 1, height);
  entry(258, 3, 3, bits_at);
  entry(259, 3, 1, 1);
  entry(262, 3, 1, 2);
  entry(273, 4, strips, offsets_at);
  entry(274, 3, 1, orientation);
  entry(277, 3, 1, 3);
  entry(278, 4, 1, kStripRows);
  entry(279, 4, strips, counts_at);
  put(bytes, 0, 4);
  for (int i = 0; i < 3; ++i) put(bytes, 16, 2);
  for (std::uint32_t i = 0; i < strips; ++i) put(bytes, pixels_at + i * kStripRows * row_bytes, 4);
  for (std::uint32_t i = 0; i < strips; ++i) {
    put(bytes, std::min<std::uint32_t>(kStripRows, height - i * kStripRows) * row_bytes, 4);
  }
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 0; x < image.cols; ++x) {
      const auto& pixel = image.at<cv::Vec3w>(y, x);
      for (int c = 2; c >= 0; --c) put(bytes, pixel[c], 2);
    }
  }
  return bytes;
}

void write_bytes(const fs::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary | std::ios::trunc) << bytes;
}

std::string doubts_of(const PrepareOutcome& outcome) {
  std::string all;
  for (const Finding& finding : outcome.findings) {
    if (finding.severity == Severity::doubt) all += finding.what + '\n';
  }
  return all;
}

std::string faults_of(const PrepareOutcome& outcome) {
  std::string all;
  for (const Finding& finding : outcome.findings) {
    if (finding.severity == Severity::fault) all += finding.what + '\n';
  }
  return all;
}

TEST(ToleratedInputs, MissingPartLiesWhereTheOrientationPutsIt) {
  const test::TemporaryFolder folder;
  cv::Mat stored(40, 24, CV_16UC3);
  cv::RNG(3).fill(stored, cv::RNG::UNIFORM, 0, 65535);
  ImageLimits limits;
  limits.truncated = true;
  for (std::uint32_t orientation = 1; orientation <= 8; ++orientation) {
    SCOPED_TRACE(orientation);
    const fs::path file = folder.path() / "a.tif";
    const std::string whole = directory_first(stored, orientation);
    write_bytes(file, whole);
    cv::Rect missing(1, 1, 1, 1);
    const cv::Mat complete = read_image(file, limits, &missing);
    EXPECT_TRUE(missing.empty());
    write_bytes(file,
                whole.substr(0, whole.size() - 12 * 24 * 6));  // into the fourth of five strips
    EXPECT_THROW(read_image(file), Error);
    const cv::Mat cut = read_image(file, limits, &missing);
    ASSERT_EQ(cut.size(), complete.size());
    EXPECT_EQ(missing.area(), 16 * 24);
    // What is not said to be missing is as it was.
    cv::Mat differs(cut.size(), CV_8U, cv::Scalar(0));
    for (int y = 0; y < cut.rows; ++y) {
      for (int x = 0; x < cut.cols; ++x) {
        if (cut.at<cv::Vec3w>(y, x) != complete.at<cv::Vec3w>(y, x)) differs.at<uchar>(y, x) = 1;
      }
    }
    EXPECT_GT(cv::countNonZero(differs(missing)), missing.area() * 9 / 10);
    differs(missing).setTo(0);
    EXPECT_EQ(cv::countNonZero(differs), 0);
  }
}

TEST(ToleratedInputs, TruncatedImageIsUsedWithoutWhatIsMissing) {
  const test::SmallSet set;
  const fs::path file = set.workspace() / "fused/mid_001.tif";
  const std::string whole = directory_first(read_image(file), 1);
  write_bytes(file, whole.substr(0, whole.size() / 2));
  EXPECT_THAT(faults_of(set.prepare()), HasSubstr("mid_001.tif: is truncated"));
  EXPECT_FALSE(fs::exists(set.prepared() / "masks/mid_001.png"));

  set.add_settings("[limits]\ntolerate_truncated = true\n");
  const PrepareOutcome tolerated = set.prepare();
  EXPECT_THAT(faults_of(tolerated), testing::Not(HasSubstr("mid_001")));
  EXPECT_THAT(doubts_of(tolerated), HasSubstr("fused/mid_001.tif is truncated: 240 x "));
  const cv::Mat mask = read_image(set.prepared() / "masks/mid_001.png");
  const int half = mask.rows / 2;
  EXPECT_GT(cv::countNonZero(mask.rowRange(0, half)), 500);
  EXPECT_EQ(cv::countNonZero(mask.rowRange(half + 8, mask.rows)), 0);
}

TEST(ToleratedInputs, ContentDecidesAndTheFirstPageIsUsedWhereAsked) {
  const test::SmallSet set;
  const fs::path png = set.workspace() / "fused/mid_001.tif";
  const fs::path pages = set.workspace() / "fused/mid_002.tif";
  const cv::Mat first = read_image(png);
  const cv::Mat second = read_image(pages);
  const fs::path named_right = set.root() / "a.png";
  write_image(named_right, first, {.type = FileType::png});
  fs::rename(named_right, png);
  ASSERT_TRUE(cv::imwritemulti(pages.string(), std::vector<cv::Mat>{second, second}));
  const std::string refused = faults_of(set.prepare());
  EXPECT_THAT(refused, HasSubstr("is a PNG file by its content"));
  EXPECT_THAT(refused, HasSubstr("contains more than one page"));

  set.add_settings(
      "[limits]\ntolerate_wrong_extension = true\ntolerate_more_pages = true\n[output]\n"
      "type = \"tiff\"\n");
  const PrepareOutcome tolerated = set.prepare();
  EXPECT_EQ(faults_of(tolerated), "");
  EXPECT_THAT(doubts_of(tolerated), HasSubstr("is a PNG file by its content"));
  EXPECT_THAT(doubts_of(tolerated), HasSubstr("contains more than one page"));
  EXPECT_TRUE(fs::exists(set.prepared() / "images/mid_001.tif"));
  EXPECT_TRUE(fs::exists(set.prepared() / "images/mid_002.tif"));
}

}  // namespace tolerated_inputs_test
}  // namespace trunnion

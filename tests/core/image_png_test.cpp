#include "core/image_png.h"

#include <gtest/gtest.h>

#include <fstream>
#include <opencv2/imgcodecs.hpp>

#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"
#include "tests/support/png_by_hand.h"

namespace trunnion {
namespace image_png_test {

void write_by_hand(const fs::path& file, cv::Size size, int bits, int colour,
                   const std::string& rows, const std::string& extra = {}) {
  std::ofstream(file, std::ios::binary) << test::png_by_hand(size, bits, colour, rows, extra);
}

TEST(ImagePng, ReadsGreyWithAlpha) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.png";
  write_by_hand(file, {2, 2}, 8, 4, std::string("\0\x0A\xFF\x14\x80\0\x1E\x00\x28\x01", 10));
  const ImageInfo info = probe_image(file);
  EXPECT_EQ(info.channels, 4);
  EXPECT_TRUE(info.grey);
  const cv::Mat image = read_image(file);
  EXPECT_EQ(image.at<cv::Vec4b>(0, 1), cv::Vec4b(0x14, 0x14, 0x14, 0x80));
  EXPECT_EQ(image.at<cv::Vec4b>(1, 0), cv::Vec4b(0x1E, 0x1E, 0x1E, 0x00));
  write_by_hand(file, {1, 1}, 16, 4, std::string("\0\x12\x34\x56\x78", 5));
  EXPECT_EQ(read_image(file).at<cv::Vec4w>(0, 0), cv::Vec4w(0x1234, 0x1234, 0x1234, 0x5678));
}

// W3C PNG, third edition, 11.3.2: pixels of exactly this colour are transparent, all others opaque.
TEST(ImagePng, ReadsATransparentColourAsAlpha) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.png";
  write_by_hand(file, {2, 1}, 8, 2, std::string("\0\x01\x02\x03\x04\x05\x06", 7),
                test::png_chunk("tRNS", std::string("\0\x01\0\x02\0\x03", 6)));
  const ImageInfo info = probe_image(file);
  EXPECT_EQ(info.channels, 4);
  EXPECT_FALSE(info.grey);
  const cv::Mat colour = read_image(file);
  EXPECT_EQ(colour.at<cv::Vec4b>(0, 0), cv::Vec4b(3, 2, 1, 0));
  EXPECT_EQ(colour.at<cv::Vec4b>(0, 1), cv::Vec4b(6, 5, 4, 255));
  write_by_hand(file, {2, 1}, 16, 0, std::string("\0\x01\x02\x03\x04", 5),
                test::png_chunk("tRNS", std::string("\x01\x02", 2)));
  EXPECT_TRUE(probe_image(file).grey);
  const cv::Mat grey = read_image(file);
  EXPECT_EQ(grey.at<cv::Vec4w>(0, 0), cv::Vec4w(0x0102, 0x0102, 0x0102, 0));
  EXPECT_EQ(grey.at<cv::Vec4w>(0, 1), cv::Vec4w(0x0304, 0x0304, 0x0304, 65535));
}

// Written bytes are those of OpenCV's encoder with the same parameters, by which sizes and times in
// docs/decisions/image-files.md were measured.
TEST(ImagePng, WritesWhatItsMeasuredParametersSay) {
  const test::TemporaryFolder folder;
  for (const int type : {CV_8UC1, CV_8UC3, CV_16UC3, CV_16UC4}) {
    cv::Mat image(40, 60, type);
    cv::RNG(1).fill(image, cv::RNG::UNIFORM, 0, 200);
    for (const bool compress : {false, true}) {
      write_image(folder.path() / "a.png", image, {.type = FileType::png, .compress = compress});
      const std::vector<int> parameters =
          compress ? std::vector<int>{cv::IMWRITE_PNG_STRATEGY, cv::IMWRITE_PNG_STRATEGY_RLE}
                   : std::vector<int>{cv::IMWRITE_PNG_COMPRESSION, 0};
      cv::imwrite((folder.path() / "b.png").string(), image, parameters);
      EXPECT_EQ(read_file(folder.path() / "a.png"), read_file(folder.path() / "b.png")) << type;
    }
  }
}

TEST(ImagePng, DamagedPixelsAreAnErrorAndNothingIsPrinted) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.png";
  cv::Mat image(64, 64, CV_16UC3);
  cv::RNG(1).fill(image, cv::RNG::UNIFORM, 0, 65536);
  write_image(file, image, {.type = FileType::png});
  std::string bytes = read_file(file);
  bytes[bytes.size() / 2] ^= 1;
  std::ofstream(file, std::ios::binary) << bytes;
  testing::internal::CaptureStderr();
  EXPECT_THROW((void)read_image(file), Error);
  EXPECT_EQ(testing::internal::GetCapturedStderr(), "");
}

}  // namespace image_png_test
}  // namespace trunnion

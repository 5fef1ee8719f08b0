#include "core/image_io.h"

#include <gtest/gtest.h>
#include <tiffio.h>

#include <fstream>
#include <opencv2/imgcodecs.hpp>

#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace image_io_test {

cv::Mat ramp(int type) {
  cv::Mat image(23, 37, type);
  cv::randu(image, 0, image.depth() == CV_16U ? 65535 : 255);
  return image;
}

std::string complaint(const std::filesystem::path& file, const ImageLimits& limits = {}) {
  try {
    read_image(file, limits);
  } catch (const Error& error) {
    EXPECT_EQ(error.kind(), Error::Kind::data);
    EXPECT_NE(std::string(error.what()).find(file.string()), std::string::npos)
        << "the message must name the file: " << error.what();
    return error.what();
  }
  return "";
}

class ImageRoundTrip : public testing::TestWithParam<std::tuple<FileType, int, bool>> {};

TEST_P(ImageRoundTrip, KeepsEveryPixelDepthAndChannel) {
  const auto [type, cv_type, compress] = GetParam();
  const test::TemporaryFolder folder;
  const auto file = folder.path() / (std::string("image") + extension_of(type));
  const cv::Mat image = ramp(cv_type);
  write_image(file, image, {.type = type, .compress = compress});
  const ImageInfo info = probe_image(file);
  EXPECT_EQ(info.width_px, 37);
  EXPECT_EQ(info.height_px, 23);
  EXPECT_EQ(info.bits, image.depth() == CV_16U ? 16 : 8);
  EXPECT_EQ(info.channels, image.channels());
  const cv::Mat back = read_image(file);
  ASSERT_EQ(back.type(), image.type());
  EXPECT_EQ(cv::norm(back, image, cv::NORM_INF), 0.0);
  // A reader we did not write sees the same pixels (OpenCV multiplies alpha into 8-bit RGBA TIFF).
  if (type == FileType::tiff && cv_type == CV_8UC4) return;
  EXPECT_EQ(cv::norm(cv::imread(file.string(), cv::IMREAD_UNCHANGED), image, cv::NORM_INF), 0.0);
}

INSTANTIATE_TEST_SUITE_P(Lossless, ImageRoundTrip,
                         testing::Combine(testing::Values(FileType::tiff, FileType::png),
                                          testing::Values(CV_8UC1, CV_8UC3, CV_8UC4, CV_16UC1,
                                                          CV_16UC3, CV_16UC4),
                                          testing::Bool()));

TEST(ImageIo, RefusesSixteenBitJpeg) {
  const test::TemporaryFolder folder;
  EXPECT_THROW(write_image(folder.path() / "a.jpg", ramp(CV_16UC3), {.type = FileType::jpeg}),
               Error);
}

// TIFF 6.0 and Exif 2.32 define Orientation 6 as: the 0th row is the right side.
TEST(ImageIo, TurnsTiffUprightByItsFlag) {
  const test::TemporaryFolder folder;
  const auto file = folder.path() / "a.tif";
  const cv::Mat image = ramp(CV_16UC3);
  write_image(file, image, {});
  TIFF* tiff = TIFFOpen(file.c_str(), "r+");
  TIFFSetField(tiff, TIFFTAG_ORIENTATION, 6);
  TIFFRewriteDirectory(tiff);
  TIFFClose(tiff);
  EXPECT_EQ(probe_image(file).width_px, 23);
  cv::Mat turned;
  cv::rotate(image, turned, cv::ROTATE_90_CLOCKWISE);
  EXPECT_EQ(cv::norm(read_image(file), turned, cv::NORM_INF), 0.0);
}

TEST(ImageIo, NamesMissingEmptyAndForeignFiles) {
  const test::TemporaryFolder folder;
  EXPECT_NE(complaint(folder.path() / "none.tif").find("no such file"), std::string::npos);
  std::ofstream(folder.path() / "zero.tif").flush();
  EXPECT_NE(complaint(folder.path() / "zero.tif").find("empty"), std::string::npos);
  std::ofstream(folder.path() / "text.tif") << "this is no image, whatever its name says";
  EXPECT_NE(complaint(folder.path() / "text.tif").find("neither"), std::string::npos);
  std::filesystem::create_directory(folder.path() / "folder.tif");
  EXPECT_NE(complaint(folder.path() / "folder.tif").find("not a regular file"), std::string::npos);
}

TEST(ImageIo, NamesAWrongExtension) {
  const test::TemporaryFolder folder;
  write_image(folder.path() / "a.tif", ramp(CV_8UC3), {});
  std::filesystem::rename(folder.path() / "a.tif", folder.path() / "a.png");
  EXPECT_NE(complaint(folder.path() / "a.png").find("TIFF file by its content"), std::string::npos);
}

TEST(ImageIo, RefusesMorePixelsThanAllowedFromTheHeaderAlone) {
  const test::TemporaryFolder folder;
  const auto file = folder.path() / "bomb.png";
  write_image(file, ramp(CV_8UC3), {.type = FileType::png});
  std::string bytes = read_file(file);
  bytes[16] = 0x00;
  bytes[17] = 0x01;  // 65536 + ... columns
  bytes[20] = 0x00;
  bytes[21] = 0x01;
  std::ofstream(file, std::ios::binary) << bytes;
  EXPECT_NE(complaint(file).find("at most"), std::string::npos);
}

TEST(ImageIo, NoticesTruncation) {
  const test::TemporaryFolder folder;
  for (const FileType type : {FileType::tiff, FileType::png, FileType::jpeg}) {
    const auto file = folder.path() / (std::string("cut") + extension_of(type));
    write_image(file, ramp(CV_8UC3), {.type = type, .compress = false});
    const std::string bytes = read_file(file);
    std::ofstream(file, std::ios::binary) << bytes.substr(0, bytes.size() * 2 / 3);
    EXPECT_NE(complaint(file), "") << name_of(type);
  }
}

void write_odd_tiff(const std::filesystem::path& file, int photometric, int samples, int bits,
                    int format, int pages) {
  TIFF* tiff = TIFFOpen(file.c_str(), "w");
  for (int page = 0; page < pages; ++page) {
    TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, 8);
    TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, 8);
    TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, bits);
    TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, samples);
    TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, photometric);
    TIFFSetField(tiff, TIFFTAG_SAMPLEFORMAT, format);
    TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
    std::vector<std::uint16_t> map(256, 0);
    if (photometric == PHOTOMETRIC_PALETTE) {
      TIFFSetField(tiff, TIFFTAG_COLORMAP, map.data(), map.data(), map.data());
    }
    std::vector<char> row(static_cast<std::size_t>(8 * samples * bits / 8), 0);
    for (std::uint32_t y = 0; y < 8; ++y) TIFFWriteScanline(tiff, row.data(), y, 0);
    TIFFWriteDirectory(tiff);
  }
  TIFFClose(tiff);
}

TEST(ImageIo, NamesKindsOfImagesItDoesNotTake) {
  const test::TemporaryFolder folder;
  const auto file = folder.path() / "odd.tif";
  write_odd_tiff(file, PHOTOMETRIC_SEPARATED, 4, 8, SAMPLEFORMAT_UINT, 1);
  EXPECT_NE(complaint(file).find("CMYK"), std::string::npos);
  write_odd_tiff(file, PHOTOMETRIC_PALETTE, 1, 8, SAMPLEFORMAT_UINT, 1);
  EXPECT_NE(complaint(file).find("palette"), std::string::npos);
  write_odd_tiff(file, PHOTOMETRIC_RGB, 3, 32, SAMPLEFORMAT_IEEEFP, 1);
  EXPECT_NE(complaint(file).find("floating-point"), std::string::npos);
  write_odd_tiff(file, PHOTOMETRIC_RGB, 5, 8, SAMPLEFORMAT_UINT, 1);
  EXPECT_NE(complaint(file).find("5 channels"), std::string::npos);
  write_odd_tiff(file, PHOTOMETRIC_RGB, 3, 8, SAMPLEFORMAT_UINT, 2);
  EXPECT_NE(complaint(file).find("more than one page"), std::string::npos);
}

}  // namespace image_io_test
}  // namespace trunnion

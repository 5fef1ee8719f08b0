// TIFFs in all their layouts against the pixels that were written;
// tests/reference/decoders_test.cpp has an independent decoder say that these files hold those
// pixels.
#include <gtest/gtest.h>
#include <tiffio.h>

#include <cmath>
#include <fstream>
#include <opencv2/imgproc.hpp>

#include "core/error.h"
#include "core/files.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"
#include "tests/support/tiff_matrix.h"

namespace trunnion {
namespace image_tiff_test {

TEST(ImageTiff, ReadsEveryLayout) {
  const test::TemporaryFolder folder;
  for (const test::TiffCase& c : test::tiff_cases()) {
    SCOPED_TRACE(c.name());
    const fs::path file = folder.path() / "a.tif";
    const cv::Mat samples = test::tiff_samples(c);
    write_tiff_case(file, c, samples);
    const ImageInfo info = probe_image(file);
    EXPECT_EQ(info.channels, c.samples == 2 ? 4 : c.samples);
    EXPECT_EQ(info.bits, c.bits);
    EXPECT_EQ(info.grey, c.samples < 3);
    const cv::Mat expected = test::as_read(samples);
    const cv::Mat found = read_image(file);
    ASSERT_EQ(found.type(), expected.type());
    ASSERT_EQ(found.size(), expected.size());
    EXPECT_EQ(cv::norm(found, expected, cv::NORM_INF), 0.0);
  }
}

TEST(ImageTiff, TurnsWhiteIsZeroButNotItsAlpha) {
  const test::TemporaryFolder folder;
  for (const int samples_count : {1, 2}) {
    for (const int bits : {8, 16}) {
      test::TiffCase c;
      c.samples = samples_count;
      c.bits = bits;
      c.white_is_zero = true;
      cv::Mat samples = test::tiff_samples(c);
      write_tiff_case(folder.path() / "a.tif", c, samples);
      const cv::Scalar grey(bits == 16 ? 65535 : 255, 0);
      cv::bitwise_xor(samples, grey, samples);
      const cv::Mat found = read_image(folder.path() / "a.tif");
      EXPECT_EQ(cv::norm(found, test::as_read(samples), cv::NORM_INF), 0.0) << c.name();
    }
  }
}

// TIFF 6.0, section 18: with ExtraSamples 1 the colours stored are c' = c * alpha / full, rounded
// to whole counts; so c is known to within 0.5 * full / alpha, and ours is a whole number again.
TEST(ImageTiff, DividesAssociatedAlphaOutOfTheColours) {
  const test::TemporaryFolder folder;
  for (test::TiffCase c : test::tiff_cases()) {
    if (c.samples % 2 != 0 || c.compression != COMPRESSION_NONE || c.big_tiff) continue;
    c.multiplied = true;
    SCOPED_TRACE(c.name());
    const double full = c.bits == 16 ? 65535.0 : 255.0;
    const cv::Mat colours = test::tiff_samples(c);
    std::vector<cv::Mat> planes;
    cv::split(colours, planes);
    const cv::Mat alpha = planes.back();
    alpha.row(7).setTo(0);
    for (std::size_t i = 0; i + 1 < planes.size(); ++i) {
      cv::multiply(planes[i], alpha, planes[i], 1.0 / full);
    }
    cv::Mat stored;
    cv::merge(planes, stored);
    write_tiff_case(folder.path() / "a.tif", c, stored);
    cv::Mat expected = test::as_read(colours);
    cv::Mat found = read_image(folder.path() / "a.tif");
    ASSERT_EQ(found.type(), expected.type());
    expected.convertTo(expected, CV_64F);
    found.convertTo(found, CV_64F);
    for (int y = 0; y < found.rows; ++y) {
      for (int x = 0; x < found.cols; ++x) {
        const auto is = found.at<cv::Vec4d>(y, x);
        const auto was = expected.at<cv::Vec4d>(y, x);
        const double opaque = y == 7 ? 0.0 : was[3];
        ASSERT_EQ(is[3], opaque);
        for (int i = 0; i < 3; ++i) {
          const double most = opaque > 0 ? 0.5 * full / opaque + 0.5 : 0.0;
          ASSERT_LE(std::abs(is[i] - (opaque > 0 ? was[i] : 0.0)), most) << x << " " << y;
        }
      }
    }
  }
}

// TIFF 6.0, section 21, with the default coefficients of CCIR 601: R = Y + 1.402 (Cr - 128),
// B = Y + 1.772 (Cb - 128), G = (Y - 0.299 R - 0.114 B) / 0.587.
TEST(ImageTiff, ReadsLumaAndChroma) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.tif";
  constexpr int kSide = 24;
  cv::Mat rgb(kSide, kSide, CV_8UC3);
  std::vector<unsigned char> stored;
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) {
      const double r = 30 + 8 * x;
      const double g = 40 + 6 * y;
      const double b = 200 - 3 * x - 4 * y;
      rgb.at<cv::Vec3b>(y, x) = {cv::saturate_cast<unsigned char>(b),
                                 cv::saturate_cast<unsigned char>(g),
                                 cv::saturate_cast<unsigned char>(r)};
      const double luma = 0.299 * r + 0.587 * g + 0.114 * b;
      for (const double value : {luma, (b - luma) / 1.772 + 128, (r - luma) / 1.402 + 128}) {
        stored.push_back(cv::saturate_cast<unsigned char>(value));
      }
    }
  }
  TIFF* t = TIFFOpen(file.c_str(), "w");
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, kSide);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, kSide);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, 8);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, 3);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_YCBCR);
  TIFFSetField(t, TIFFTAG_YCBCRSUBSAMPLING, 1, 1);
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, kSide);
  TIFFWriteEncodedStrip(t, 0, stored.data(), static_cast<tmsize_t>(stored.size()));
  TIFFClose(t);
  EXPECT_LE(cv::norm(read_image(file), rgb, cv::NORM_INF), 3.0);  // two roundings to whole counts
}

std::string complaint(const fs::path& file) {
  try {
    (void)read_image(file);
  } catch (const Error& error) {
    return error.kind() == Error::Kind::data ? error.what() : "";
  }
  return "";
}

// JPEG inside a TIFF is damaged as quietly as a JPEG of its own.
TEST(ImageTiff, NoticesDamageThatTheCodecOnlyWarnsOf) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.tif";
  cv::Mat noise(256, 256, CV_8UC3);
  cv::RNG(3).fill(noise, cv::RNG::UNIFORM, 0, 256);
  TIFF* t = TIFFOpen(file.c_str(), "w");
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, noise.cols);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, noise.rows);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, 8);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, 3);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_JPEG);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_YCBCR);
  TIFFSetField(t, TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, noise.rows);
  TIFFWriteEncodedStrip(t, 0, noise.data, static_cast<tmsize_t>(noise.total() * 3));
  TIFFClose(t);
  EXPECT_EQ(complaint(file), "");
  std::string bytes = read_file(file);
  for (std::size_t i = bytes.size() / 3; i < bytes.size() / 3 + 200; ++i) bytes[i] ^= '\xFF';
  std::ofstream(file, std::ios::binary) << bytes;
  testing::internal::CaptureStderr();
  EXPECT_NE(complaint(file).find(file.string()), std::string::npos);
  EXPECT_EQ(testing::internal::GetCapturedStderr(), "");
}

}  // namespace image_tiff_test
}  // namespace trunnion

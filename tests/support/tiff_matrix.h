// TIFFs of known pixels in every layout that libtiff writes: strips and tiles, samples interleaved
// and in planes, both byte orders, classic and BigTIFF, 8 and 16 bit, with and without predictor,
// not compressed, PackBits, LZW and deflate.
#pragma once

#include <cstdint>
#include <filesystem>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace trunnion::test {

struct TiffCase {
  int samples = 3;  // 1 grey, 2 grey and alpha, 3 RGB, 4 RGB and alpha
  int bits = 16;
  bool planes = false;
  bool tiles = false;
  bool big_endian = false;
  bool big_tiff = false;
  bool predictor = false;
  std::uint16_t compression = 1;  // TIFF 6.0, tag 259
  bool multiplied = false;        // colours multiplied by alpha (ExtraSamples 1)
  bool white_is_zero = false;

  [[nodiscard]] std::string name() const;  // "tiles_planes_big-endian_16x3_lzw_predictor"
};

// Every combination that TIFF 6.0 allows (associated alpha and white as zero apart).
std::vector<TiffCase> tiff_cases();

// Samples as a file stores them: CV_8U or CV_16U, in the order of the file (R G B A).
cv::Mat tiff_samples(const TiffCase& c);

// The same as read_image gives them: BGR or BGRA.
cv::Mat as_read(const cv::Mat& samples);

// Writes `samples` through libtiff in the layout of the case.
void write_tiff_case(const std::filesystem::path& file, const TiffCase& c, const cv::Mat& samples);

}  // namespace trunnion::test

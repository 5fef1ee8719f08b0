#include "core/brightness.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <vector>

namespace trunnion {
namespace {

// Rows are added as whole numbers first, plain loops over contiguous values that the compiler turns
// into vector code; brightness is linear, so channels may wait.
template <typename T>
cv::Mat brightness_of(const cv::Mat& image, int scale) {
  const int channels = image.channels();
  const std::array<float, 3> weights =
      channels == 1 ? std::array{1.0F, 0.0F, 0.0F} : std::array{0.114F, 0.587F, 0.299F};
  const float full = sizeof(T) == 1 ? 255.0F : 65535.0F;
  const float share = 1.0F / (full * static_cast<float>(scale * scale));
  cv::Mat result(image.rows / scale, image.cols / scale, CV_32F);
  std::vector<std::uint32_t> sums(static_cast<std::size_t>(result.cols * scale * channels));
  for (int y = 0; y < result.rows; ++y) {
    std::fill(sums.begin(), sums.end(), 0U);
    for (int k = 0; k < scale; ++k) {
      const T* row = image.ptr<T>(y * scale + k);
      for (std::size_t i = 0; i < sums.size(); ++i) sums[i] += row[i];
    }
    auto* out = result.ptr<float>(y);
    const std::uint32_t* from = sums.data();
    for (int x = 0; x < result.cols; ++x) {
      std::array<std::uint32_t, 4> block{};
      for (int k = 0; k < scale; ++k) {
        for (std::size_t c = 0; c < static_cast<std::size_t>(channels); ++c) block[c] += *from++;
      }
      float brightness = 0;
      for (std::size_t c = 0; c < 3; ++c) brightness += weights[c] * static_cast<float>(block[c]);
      out[x] = brightness * share;
    }
  }
  return result;
}

}  // namespace

cv::Mat block_brightness(const cv::Mat& image, int scale) {
  CV_Assert(scale >= 1 && scale <= 64);
  return image.depth() == CV_16U ? brightness_of<std::uint16_t>(image, scale)
                                 : brightness_of<std::uint8_t>(image, scale);
}

cv::Mat halved_inside(const cv::Mat& inside) {
  cv::Mat half(inside.rows / 2, inside.cols / 2, CV_8U);
  for (int y = 0; y < half.rows; ++y) {
    const uchar* upper = inside.ptr(2 * y);
    const uchar* lower = inside.ptr(2 * y + 1);
    uchar* out = half.ptr(y);
    for (int x = 0; x < half.cols; ++x) {
      out[x] = upper[2 * x] & upper[2 * x + 1] & lower[2 * x] & lower[2 * x + 1];
    }
  }
  return half;
}

}  // namespace trunnion

#include "core/reduction.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <vector>

#include "core/error.h"
#include "core/row_sums.h"

namespace trunnion {
namespace {

// Adds rows as whole numbers.
template <typename T>
void add_rows(const cv::Mat& image, int first, int count, std::vector<std::uint32_t>& sums) {
  std::fill(sums.begin(), sums.end(), 0U);
  for (int y = first; y < first + count; ++y) add_row(image.ptr<T>(y), sums.size(), sums.data());
}

// Sums of one block's columns, by channel.
template <std::size_t C>
std::array<std::uint32_t, C> take_block(const std::uint32_t*& from, int scale) {
  std::array<std::uint32_t, C> block{};
  for (int k = 0; k < scale; ++k) {
    for (std::size_t c = 0; c < C; ++c) block[c] += *from++;
  }
  return block;
}

// Brightness is linear, so channels may wait until their sums are known.
template <typename T, std::size_t C>
cv::Mat brightness_of(const cv::Mat& image, int scale) {
  constexpr std::array<float, 3> kWeights = {0.114F, 0.587F, 0.299F};
  const float full = sizeof(T) == 1 ? 255.0F : 65535.0F;
  const float share = 1.0F / (full * static_cast<float>(scale * scale));
  cv::Mat result(image.rows / scale, image.cols / scale, CV_32F);
  std::vector<std::uint32_t> sums(static_cast<std::size_t>(result.cols * scale) * C);
  for (int y = 0; y < result.rows; ++y) {
    add_rows<T>(image, y * scale, scale, sums);
    auto* out = result.ptr<float>(y);
    const std::uint32_t* from = sums.data();
    for (int x = 0; x < result.cols; ++x) {
      const auto block = take_block<C>(from, scale);
      auto brightness = static_cast<float>(block[0]);
      if constexpr (C > 1) {
        brightness = 0;
        for (std::size_t c = 0; c < 3; ++c) {
          brightness += kWeights[c] * static_cast<float>(block[c]);
        }
      }
      out[x] = brightness * share;
    }
  }
  return result;
}

template <typename T, std::size_t C>
cv::Mat means_of(const cv::Mat& image, int scale) {
  cv::Mat result((image.rows + scale - 1) / scale, (image.cols + scale - 1) / scale, image.type());
  std::vector<std::uint32_t> sums(static_cast<std::size_t>(image.cols) * C);
  for (int y = 0; y < result.rows; ++y) {
    const int rows = std::min(scale, image.rows - y * scale);
    add_rows<T>(image, y * scale, rows, sums);
    T* out = result.ptr<T>(y);
    const std::uint32_t* from = sums.data();
    for (int x = 0; x < result.cols; ++x) {
      const int columns = std::min(scale, image.cols - x * scale);
      const float share = 1.0F / static_cast<float>(rows * columns);
      for (const std::uint32_t sum : take_block<C>(from, columns)) {
        *out++ = static_cast<T>(static_cast<float>(sum) * share + 0.5F);
      }
    }
  }
  return result;
}

// Calls `work` for the image's type.
template <typename Work>
cv::Mat by_type(const cv::Mat& image, const Work& work) {
  switch (image.type()) {
    case CV_8UC1:
      return work.template operator()<std::uint8_t, 1>();
    case CV_8UC3:
      return work.template operator()<std::uint8_t, 3>();
    case CV_8UC4:
      return work.template operator()<std::uint8_t, 4>();
    case CV_16UC1:
      return work.template operator()<std::uint16_t, 1>();
    case CV_16UC3:
      return work.template operator()<std::uint16_t, 3>();
    case CV_16UC4:
      return work.template operator()<std::uint16_t, 4>();
    default:
      throw data_error("Only images of 8 or 16 bit, 1, 3 or 4 channels can be reduced.");
  }
}

}  // namespace

cv::Mat block_brightness(const cv::Mat& image, int scale) {
  CV_Assert(scale >= 1 && scale <= 64);
  return by_type(image,
                 [&]<typename T, std::size_t C>() { return brightness_of<T, C>(image, scale); });
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

cv::Mat reduced_towards(const cv::Mat& image, const cv::Size& wanted) {
  constexpr int kLargest = 64;  // sums of such blocks fit 32 bit
  const int scale = std::min({image.cols / std::max(1, 2 * wanted.width),
                              image.rows / std::max(1, 2 * wanted.height), kLargest});
  if (scale <= 1) return image;
  return by_type(image, [&]<typename T, std::size_t C>() { return means_of<T, C>(image, scale); });
}

}  // namespace trunnion

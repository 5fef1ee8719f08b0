// Resampling at fixed-point places: see undistort.h for the kernels.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/core.hpp>
#include <opencv2/core/hal/intrin.hpp>
#include <vector>

namespace trunnion::resampling {

// Places in the source are fixed-point numbers: exact sums, the same on every machine.
inline constexpr int kFractionBits = 32;
inline constexpr double kOne = 4294967296.0;  // 2^32
inline constexpr int kTableBits = 10;         // fractions are rounded to 1/1024 px
inline constexpr int kTableSize = 1 << kTableBits;

inline double keys(double x) {
  constexpr double a = -0.5;
  x = std::abs(x);
  if (x < 1) return ((a + 2) * x - (a + 3)) * x * x + 1;
  if (x < 2) return ((a * x - 5 * a) * x + 8 * a) * x - 4 * a;
  return 0;
}

inline double lanczos(double x) {
  constexpr double kLobes = 4;
  if (std::abs(x) < 1e-12) return 1;
  if (std::abs(x) >= kLobes) return 0;
  const double t = CV_PI * x;
  return kLobes * std::sin(t) * std::sin(t / kLobes) / (t * t);
}

// Weights of N taps for each fraction; tap i lies at i - (N/2 - 1) from the pixel below.
template <int N>
std::vector<float> weight_table() {
  std::vector<float> table;
  for (int f = 0; f <= kTableSize; ++f) {
    const double fraction = static_cast<double>(f) / kTableSize;
    std::array<double, static_cast<std::size_t>(N)> weights{};
    double sum = 0;
    for (int i = 0; i < N; ++i) {
      const double x = fraction - (i - (N / 2 - 1));
      const double weight = N == 2 ? std::max(0.0, 1 - std::abs(x)) : N == 4 ? keys(x) : lanczos(x);
      weights[static_cast<std::size_t>(i)] = weight;
      sum += weight;
    }
    for (const double weight : weights) table.push_back(static_cast<float>(weight / sum));
  }
  return table;
}

inline cv::v_float32x4 load4(const std::uint8_t* at) {
  return cv::v_cvt_f32(cv::v_reinterpret_as_s32(cv::v_load_expand_q(at)));
}
inline cv::v_float32x4 load4(const std::uint16_t* at) {
  return cv::v_cvt_f32(cv::v_reinterpret_as_s32(cv::v_load_expand(at)));
}

// The weights of a fraction, each C times: what a row of N pixels of C channels is multiplied by.
template <int N, int C>
std::vector<float> wide_table() {
  std::vector<float> wide;
  for (const float weight : weight_table<N>()) wide.insert(wide.end(), C, weight);
  return wide;
}

template <typename T>
cv::v_int32x4 rounded(const cv::v_float32x4& value) {
  constexpr float kFull = sizeof(T) == 1 ? 255.0F : 65535.0F;
  return cv::v_round(cv::v_min(cv::v_max(value, cv::v_setzero_f32()), cv::v_setall_f32(kFull)));
}

// One pixel of three or four channels from N x N taps: columns first, a row of taps being
// contiguous values, then the taps of each channel are brought together. `wx`: from wide_table.
template <typename T, int C, int N>
void sample_colour(const T* corner, std::size_t stride, const float* wx, const float* wy, T* out) {
  constexpr std::size_t kVectors = static_cast<std::size_t>(N * C / 4);
  std::array<cv::v_float32x4, kVectors> columns;
  for (std::size_t v = 0; v < kVectors; ++v) {
    columns[v] = load4(corner + 4 * v) * cv::v_setall_f32(wy[0]);
  }
  for (int j = 1; j < N; ++j) {
    const T* row = corner + static_cast<std::size_t>(j) * stride;
    const cv::v_float32x4 weight = cv::v_setall_f32(wy[j]);
    for (std::size_t v = 0; v < kVectors; ++v) columns[v] += load4(row + 4 * v) * weight;
  }
  for (std::size_t v = 0; v < kVectors; ++v) columns[v] *= cv::v_load(wx + 4 * v);
  cv::v_float32x4 sum = cv::v_setzero_f32();
  if constexpr (C == 4) {
    for (const cv::v_float32x4& tap : columns) sum += tap;
  } else {
    for (std::size_t v = 0; v < kVectors; v += 3) {  // four taps: aaab bbcc cddd
      sum += (columns[v] + cv::v_extract<3>(columns[v], columns[v + 1])) +
             (cv::v_extract<2>(columns[v + 1], columns[v + 2]) +
              cv::v_extract<1>(columns[v + 2], columns[v + 2]));
    }
  }
  alignas(16) std::array<int, 4> lanes{};
  cv::v_store_aligned(lanes.data(), rounded<T>(sum));
  for (std::size_t c = 0; c < C; ++c) out[c] = static_cast<T>(lanes[c]);
}

template <typename T, int N>
void sample_grey(const T* corner, std::size_t stride, const float* wx, const float* wy, T* out) {
  float sum = 0;
  for (int j = 0; j < N; ++j) {
    const T* row = corner + static_cast<std::size_t>(j) * stride;
    float line = 0;
    for (int i = 0; i < N; ++i) line += static_cast<float>(row[i]) * wx[i];
    sum += line * wy[j];
  }
  constexpr float kFull = sizeof(T) == 1 ? 255.0F : 65535.0F;
  *out = static_cast<T>(std::lrintf(std::clamp(sum, 0.0F, kFull)));
}

template <typename T, int C, int N>
void sample(const T* corner, std::size_t stride, const float* wx, const float* wy, T* out) {
  if constexpr (C == 1) {
    sample_grey<T, N>(corner, stride, wx, wy, out);
  } else {
    sample_colour<T, C, N>(corner, stride, wx, wy, out);
  }
}

template <typename T, int C, int N>
class Resampler {
 public:
  explicit Resampler(const cv::Mat& source) : source_(source), stride_(source.step1()) {}

  // One pixel at a fixed-point place.
  void at(std::int64_t x, std::int64_t y, T* out) const {
    const int column = static_cast<int>(x >> kFractionBits);
    const int row = static_cast<int>(y >> kFractionBits);
    const float* wx = across_.data() + fraction(x) * N * C;
    const float* wy = down_.data() + fraction(y) * N;
    constexpr int kBefore = N / 2 - 1;
    const int left = column - kBefore;
    const int top = row - kBefore;
    if (left >= 0 && top >= 0 && left + N <= source_.cols && top + N <= source_.rows) {
      sample<T, C, N>(source_.ptr<T>(top) + left * C, stride_, wx, wy, out);
    } else {
      at_border(x, y, left, top, wx, wy, out);
    }
  }

 private:
  static constexpr std::int64_t kMask = (std::int64_t{1} << kFractionBits) - 1;

  // In steps of the tables.
  static std::int64_t fraction(std::int64_t place) {
    constexpr std::int64_t kRound = std::int64_t{1} << (kFractionBits - kTableBits - 1);
    return ((place & kMask) + kRound) >> (kFractionBits - kTableBits);
  }
  void at_border(std::int64_t x, std::int64_t y, int left, int top, const float* wx,
                 const float* wy, T* out) const {
    constexpr std::int64_t kHalf = std::int64_t{1} << (kFractionBits - 1);
    const bool outside = x < -kHalf || y < -kHalf ||
                         x >= (std::int64_t{source_.cols} << kFractionBits) - kHalf ||
                         y >= (std::int64_t{source_.rows} << kFractionBits) - kHalf;
    if (outside) {
      std::fill_n(out, C, T{0});
      return;
    }
    std::array<T, static_cast<std::size_t>(N * N * C)> taps{};
    for (int j = 0; j < N; ++j) {
      const T* row = source_.ptr<T>(std::clamp(top + j, 0, source_.rows - 1));
      for (int i = 0; i < N; ++i) {
        const T* pixel = row + std::clamp(left + i, 0, source_.cols - 1) * C;
        std::copy_n(pixel, C, taps.data() + (j * N + i) * C);
      }
    }
    sample<T, C, N>(taps.data(), N * C, wx, wy, out);
  }

  const cv::Mat& source_;
  std::size_t stride_;
  inline static const std::vector<float> across_ = wide_table<N, C>();
  inline static const std::vector<float> down_ = weight_table<N>();
};

}  // namespace trunnion::resampling

// Resampling at fixed-point places: see undistort.h for the kernels.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <opencv2/core.hpp>
#include <opencv2/core/hal/intrin.hpp>
#include <vector>

#if defined(__x86_64__) && defined(__GNUC__)
#include <immintrin.h>
#define TRUNNION_AVX2
#endif

namespace trunnion::undistort {

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

// The machine has wider registers than the build asks for.
inline bool has_wide_registers() {
#ifdef TRUNNION_AVX2
  return __builtin_cpu_supports("avx2") != 0;
#else
  return false;
#endif
}

#ifdef TRUNNION_AVX2

[[gnu::target("avx2"), gnu::always_inline]] inline __m256 widened(const __m128i& eight,
                                                                  std::uint16_t) {
  return _mm256_cvtepi32_ps(_mm256_cvtepu16_epi32(eight));
}
[[gnu::target("avx2"), gnu::always_inline]] inline __m256 widened(const __m128i& eight,
                                                                  std::uint8_t) {
  return _mm256_cvtepi32_ps(_mm256_cvtepu8_epi32(eight));
}
// Eight values, and four of one row beside four of another.
template <typename T>
[[gnu::target("avx2"), gnu::always_inline]] inline __m256 eight_at(const T* at) {
  __m128i raw = _mm_setzero_si128();
  std::memcpy(&raw, at, 8 * sizeof(T));
  return widened(raw, T{});
}
template <typename T>
[[gnu::target("avx2"), gnu::always_inline]] inline __m256 four_at(const T* low, const T* high) {
  __m128i raw = _mm_setzero_si128();
  std::memcpy(&raw, low, 4 * sizeof(T));
  __m128i upper = _mm_setzero_si128();
  std::memcpy(&upper, high, 4 * sizeof(T));
  raw = sizeof(T) == 1 ? _mm_unpacklo_epi32(raw, upper) : _mm_unpacklo_epi64(raw, upper);
  return widened(raw, T{});
}

// sample_colour for three channels and 4 x 4 taps in registers of eight: the same sums in the same
// order, so the same bits.
template <typename T>
[[gnu::target("avx2"), gnu::always_inline]] inline void sample_cubic_wide(const T* corner,
                                                                          std::size_t stride,
                                                                          const float* wx,
                                                                          const float* wy, T* out) {
  const T* second = corner + stride;
  const T* third = second + stride;
  const T* fourth = third + stride;
  const __m256 w0 = _mm256_set1_ps(wy[0]);
  const __m256 w1 = _mm256_set1_ps(wy[1]);
  const __m256 w2 = _mm256_set1_ps(wy[2]);
  const __m256 w3 = _mm256_set1_ps(wy[3]);
  __m256 columns = _mm256_mul_ps(eight_at(corner), w0);
  columns = _mm256_add_ps(columns, _mm256_mul_ps(eight_at(second), w1));
  columns = _mm256_add_ps(columns, _mm256_mul_ps(eight_at(third), w2));
  columns = _mm256_add_ps(columns, _mm256_mul_ps(eight_at(fourth), w3));
  columns = _mm256_mul_ps(columns, _mm256_loadu_ps(wx));
  const __m256 upper =
      _mm256_mul_ps(four_at(corner + 8, second + 8), _mm256_blend_ps(w0, w1, 0xF0));
  const __m256 lower = _mm256_mul_ps(four_at(third + 8, fourth + 8), _mm256_blend_ps(w2, w3, 0xF0));
  __m128 c = _mm_add_ps(_mm256_castps256_ps128(upper), _mm256_extractf128_ps(upper, 1));
  c = _mm_add_ps(c, _mm256_castps256_ps128(lower));
  c = _mm_add_ps(c, _mm256_extractf128_ps(lower, 1));
  c = _mm_mul_ps(c, _mm_loadu_ps(wx + 8));
  // Four taps: aaab bbcc cddd.
  const __m128i a = _mm_castps_si128(_mm256_castps256_ps128(columns));
  const __m128i b = _mm_castps_si128(_mm256_extractf128_ps(columns, 1));
  const __m128i d = _mm_castps_si128(c);
  const __m128 first_two =
      _mm_add_ps(_mm_castsi128_ps(a), _mm_castsi128_ps(_mm_alignr_epi8(b, a, 12)));
  const __m128 last_two = _mm_add_ps(_mm_castsi128_ps(_mm_alignr_epi8(d, b, 8)),
                                     _mm_castsi128_ps(_mm_srli_si128(d, 4)));
  constexpr float kFull = sizeof(T) == 1 ? 255.0F : 65535.0F;
  const __m128 sum =
      _mm_min_ps(_mm_max_ps(_mm_add_ps(first_two, last_two), _mm_setzero_ps()), _mm_set1_ps(kFull));
  const __m128i whole = _mm_cvtps_epi32(sum);
  out[0] = static_cast<T>(_mm_extract_epi32(whole, 0));
  out[1] = static_cast<T>(_mm_extract_epi32(whole, 1));
  out[2] = static_cast<T>(_mm_extract_epi32(whole, 2));
}

#endif

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

  // Where the taps of a fixed-point place are; no corner where some lie outside.
  struct Taps {
    const T* corner = nullptr;
    const float* wx = nullptr;
    const float* wy = nullptr;
  };
  [[nodiscard]] Taps taps(std::int64_t x, std::int64_t y) const {
    const int left = static_cast<int>(x >> kFractionBits) - kBefore;
    const int top = static_cast<int>(y >> kFractionBits) - kBefore;
    const bool inside =
        left >= 0 && top >= 0 && left + N <= source_.cols && top + N <= source_.rows;
    return {inside ? source_.ptr<T>(top) + left * C : nullptr, across_.data() + fraction(x) * N * C,
            down_.data() + fraction(y) * N};
  }
  [[nodiscard]] std::size_t stride() const { return stride_; }

  // One pixel.
  void at(std::int64_t x, std::int64_t y, T* out) const {
    const Taps found = taps(x, y);
    if (found.corner != nullptr) {
      sample<T, C, N>(found.corner, stride_, found.wx, found.wy, out);
    } else {
      at_border(x, y, found, out);
    }
  }
  // The same where the taps don't all lie inside.
  void at_border(std::int64_t x, std::int64_t y, const Taps& found, T* out) const {
    constexpr std::int64_t kHalf = std::int64_t{1} << (kFractionBits - 1);
    const bool outside = x < -kHalf || y < -kHalf ||
                         x >= (std::int64_t{source_.cols} << kFractionBits) - kHalf ||
                         y >= (std::int64_t{source_.rows} << kFractionBits) - kHalf;
    if (outside) {
      std::fill_n(out, C, T{0});
      return;
    }
    const int left = static_cast<int>(x >> kFractionBits) - kBefore;
    const int top = static_cast<int>(y >> kFractionBits) - kBefore;
    std::array<T, static_cast<std::size_t>(N * N * C)> copied{};
    for (int j = 0; j < N; ++j) {
      const T* row = source_.ptr<T>(std::clamp(top + j, 0, source_.rows - 1));
      for (int i = 0; i < N; ++i) {
        const T* pixel = row + std::clamp(left + i, 0, source_.cols - 1) * C;
        std::copy_n(pixel, C, copied.data() + (j * N + i) * C);
      }
    }
    sample<T, C, N>(copied.data(), N * C, found.wx, found.wy, out);
  }

 private:
  static constexpr int kBefore = N / 2 - 1;
  static constexpr std::int64_t kMask = (std::int64_t{1} << kFractionBits) - 1;

  // In steps of the tables.
  static std::int64_t fraction(std::int64_t place) {
    constexpr std::int64_t kRound = std::int64_t{1} << (kFractionBits - kTableBits - 1);
    return ((place & kMask) + kRound) >> (kFractionBits - kTableBits);
  }

  const cv::Mat& source_;
  std::size_t stride_;
  inline static const std::vector<float> across_ = wide_table<N, C>();
  inline static const std::vector<float> down_ = weight_table<N>();
};

}  // namespace trunnion::undistort

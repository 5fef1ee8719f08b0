#include "stages/undistort.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/core/hal/intrin.hpp>
#include <vector>

#include "core/error.h"

namespace trunnion {
namespace {

// Places in the source are fixed-point numbers: exact sums, the same on every machine.
constexpr int kFractionBits = 32;
constexpr double kOne = 4294967296.0;  // 2^32
constexpr int kTableBits = 10;         // fractions are rounded to 1/1024 px
constexpr int kTableSize = 1 << kTableBits;
constexpr double kNowhere = -1e6;

double keys(double x) {
  constexpr double a = -0.5;
  x = std::abs(x);
  if (x < 1) return ((a + 2) * x - (a + 3)) * x * x + 1;
  if (x < 2) return ((a * x - 5 * a) * x + 8 * a) * x - 4 * a;
  return 0;
}

double lanczos(double x) {
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

cv::v_float32x4 load4(const std::uint8_t* at) {
  return cv::v_cvt_f32(cv::v_reinterpret_as_s32(cv::v_load_expand_q(at)));
}
cv::v_float32x4 load4(const std::uint16_t* at) {
  return cv::v_cvt_f32(cv::v_reinterpret_as_s32(cv::v_load_expand(at)));
}

// One colour pixel from N x N taps; the fourth lane is the next pixel's first channel or alpha.
template <typename T, int C, int N>
void sample_colour(const T* corner, std::size_t stride, const float* wx, const float* wy, T* out) {
  cv::v_float32x4 sum = cv::v_setzero_f32();
  for (int j = 0; j < N; ++j) {
    const T* row = corner + static_cast<std::size_t>(j) * stride;
    cv::v_float32x4 line = load4(row) * cv::v_setall_f32(wx[0]);
    for (int i = 1; i < N; ++i) line += load4(row + i * C) * cv::v_setall_f32(wx[i]);
    sum += line * cv::v_setall_f32(wy[j]);
  }
  constexpr float kFull = sizeof(T) == 1 ? 255.0F : 65535.0F;
  const cv::v_int32x4 rounded =
      cv::v_round(cv::v_min(cv::v_max(sum, cv::v_setzero_f32()), cv::v_setall_f32(kFull)));
  alignas(16) std::array<int, 4> lanes{};
  cv::v_store_aligned(lanes.data(), rounded);
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
  Resampler(const cv::Mat& source, const std::vector<float>& weights)
      : source_(source), weights_(weights), stride_(source.step1()) {}

  // One pixel at a fixed-point place.
  void at(std::int64_t x, std::int64_t y, T* out) const {
    constexpr std::int64_t kRound = std::int64_t{1} << (kFractionBits - kTableBits - 1);
    const int column = static_cast<int>(x >> kFractionBits);
    const int row = static_cast<int>(y >> kFractionBits);
    const float* wx = weights(((x & kMask) + kRound) >> (kFractionBits - kTableBits));
    const float* wy = weights(((y & kMask) + kRound) >> (kFractionBits - kTableBits));
    constexpr int kBefore = N / 2 - 1;
    const int left = column - kBefore;
    const int top = row - kBefore;
    // One column is spared since a colour load reads a lane past its pixel.
    if (left >= 0 && top >= 0 && left + N < source_.cols && top + N <= source_.rows) {
      sample<T, C, N>(source_.ptr<T>(top) + left * C, stride_, wx, wy, out);
    } else {
      at_border(x, y, left, top, wx, wy, out);
    }
  }

 private:
  static constexpr std::int64_t kMask = (std::int64_t{1} << kFractionBits) - 1;

  [[nodiscard]] const float* weights(std::int64_t fraction) const {
    return weights_.data() + fraction * N;
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
    std::array<T, static_cast<std::size_t>(N * N * C + 4)> taps{};
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
  const std::vector<float>& weights_;
  std::size_t stride_;
};

Eigen::Vector2d place(const UndistortMap& map, double column, double row) {
  const Eigen::Vector2d ideal((column - map.to.cx) / map.to.fx, (row - map.to.cy) / map.to.fy);
  // Past the fold the polynomial turns back and would show the image a second time.
  if (!(distort_jacobian(map.from, ideal).determinant() > 0.0)) {
    return Eigen::Vector2d::Constant(kNowhere);
  }
  return to_source(map, {column, row});
}

std::int64_t fixed(double value) {
  return std::llround(std::clamp(value, kNowhere, -kNowhere) * kOne);
}

template <typename T, int C, int N>
void resample(const cv::Mat& source, const UndistortMap& map, cv::Mat& result) {
  static const std::vector<float> weights = weight_table<N>();
  const Resampler<T, C, N> resampler(source, weights);
  const int spacing = map.node_spacing_px;
  for (int row = 0; row < result.rows; ++row) {
    T* out = result.ptr<T>(row);
    Eigen::Vector2d next = place(map, 0, row);
    for (int first = 0; first < result.cols; first += spacing) {
      const Eigen::Vector2d here = next;
      next = place(map, first + spacing, row);
      std::int64_t x = fixed(here.x());
      std::int64_t y = fixed(here.y());
      const std::int64_t step_x = (fixed(next.x()) - x) / spacing;
      const std::int64_t step_y = (fixed(next.y()) - y) / spacing;
      const int last = std::min(first + spacing, result.cols);
      for (int column = first; column < last; ++column, x += step_x, y += step_y) {
        resampler.at(x, y, out + column * C);
      }
    }
  }
}

template <int N>
void resample(const cv::Mat& source, const UndistortMap& map, cv::Mat& result) {
  switch (source.type()) {
    case CV_8UC1:
      return resample<std::uint8_t, 1, N>(source, map, result);
    case CV_8UC3:
      return resample<std::uint8_t, 3, N>(source, map, result);
    case CV_8UC4:
      return resample<std::uint8_t, 4, N>(source, map, result);
    case CV_16UC1:
      return resample<std::uint16_t, 1, N>(source, map, result);
    case CV_16UC3:
      return resample<std::uint16_t, 3, N>(source, map, result);
    case CV_16UC4:
      return resample<std::uint16_t, 4, N>(source, map, result);
    default:
      throw data_error("Undistortion takes 8 or 16 bit images of 1, 3 or 4 channels only.");
  }
}

// Largest distance between exact places and those interpolated over `spacing` columns, at the
// middles of the gaps, where it peaks.
double interpolation_error(const UndistortMap& map, int spacing) {
  constexpr int kRows = 24;
  double worst = 0;
  for (int i = 0; i <= kRows; ++i) {
    const double row = (map.to.height_px - 1) * static_cast<double>(i) / kRows;
    for (int column = 0; column < map.to.width_px; column += spacing) {
      const Eigen::Vector2d middle =
          0.5 * (to_source(map, {column, row}) + to_source(map, {column + spacing, row}));
      const Eigen::Vector2d exact = to_source(map, {column + 0.5 * spacing, row});
      worst = std::max(worst, (middle - exact).norm());
    }
  }
  return worst;
}

}  // namespace

UndistortMap undistort_map(const Camera& source, const UndistortSettings& settings) {
  UndistortMap map;
  map.from = source;
  map.to = undistorted_camera(source, settings);
  map.identity = map.from == map.to;
  constexpr double kLargestError_px = 0.001;
  map.node_spacing_px = 64;
  while (map.node_spacing_px > 1 &&
         interpolation_error(map, map.node_spacing_px) > kLargestError_px) {
    map.node_spacing_px /= 2;
  }
  return map;
}

cv::Mat undistort_image(const cv::Mat& image, const UndistortMap& map,
                        Interpolation interpolation) {
  if (map.identity) return image;
  cv::Mat result(map.to.height_px, map.to.width_px, image.type());
  if (interpolation == Interpolation::cubic) {
    resample<4>(image, map, result);
  } else {
    resample<8>(image, map, result);
  }
  return result;
}

cv::Mat undistort_mask(const cv::Mat& coverage, const UndistortMap& map) {
  if (map.identity) return coverage;
  cv::Mat result(map.to.height_px, map.to.width_px, coverage.type());
  resample<2>(coverage, map, result);
  return result;
}

Eigen::Vector2d to_source(const UndistortMap& map, const Eigen::Vector2d& new_px) {
  const Eigen::Vector2d ideal((new_px.x() - map.to.cx) / map.to.fx,
                              (new_px.y() - map.to.cy) / map.to.fy);
  const Eigen::Vector2d distorted = distort(map.from, ideal);
  return {map.from.fx * distorted.x() + map.from.cx, map.from.fy * distorted.y() + map.from.cy};
}

Eigen::Vector2d from_source(const UndistortMap& map, const Eigen::Vector2d& source_px) {
  const Eigen::Vector2d ideal = normalise(map.from, source_px);
  return {map.to.fx * ideal.x() + map.to.cx, map.to.fy * ideal.y() + map.to.cy};
}

}  // namespace trunnion

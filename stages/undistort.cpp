#include "stages/undistort.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <vector>

#include "core/error.h"
#include "stages/undistort_sample.h"

namespace trunnion {
namespace {

using namespace resampling;

constexpr double kNowhere = -1e6;

bool folded_at(const UndistortMap& map, double column, double row) {
  const Eigen::Vector2d ideal((column - map.to.cx) / map.to.fx, (row - map.to.cy) / map.to.fy);
  return !(distort_jacobian(map.from, ideal).determinant() > 0.0);
}

Eigen::Vector2d place(const UndistortMap& map, double column, double row) {
  // Past the fold the polynomial turns back and would show the image a second time.
  if (map.folds && folded_at(map, column, row)) return Eigen::Vector2d::Constant(kNowhere);
  return to_source(map, {column, row});
}

std::int64_t fixed(double value) {
  return std::llrint(std::clamp(value, kNowhere, -kNowhere) * kOne);
}

// Pixels of one row between two nodes, and where they lie in the source.
struct Run {
  int first = 0;
  int last = 0;
  std::int64_t x = 0;
  std::int64_t y = 0;
  std::int64_t step_x = 0;
  std::int64_t step_y = 0;
};

// Calls `each(row, run)` over some rows of the new image.
template <typename Each>
void for_each_run_of(const UndistortMap& map, const tbb::blocked_range<int>& rows,
                     const Each& each) {
  const int spacing = map.node_spacing_px;
  for (int row = rows.begin(); row < rows.end(); ++row) {
    Eigen::Vector2d next = place(map, 0, row);
    for (int first = 0; first < map.to.width_px; first += spacing) {
      const Eigen::Vector2d here = next;
      next = place(map, first + spacing, row);
      Run run{first, std::min(first + spacing, map.to.width_px), fixed(here.x()), fixed(here.y())};
      run.step_x = (fixed(next.x()) - run.x) / spacing;
      run.step_y = (fixed(next.y()) - run.y) / spacing;
      each(row, run);
    }
  }
}

// The same over all of it, rows on all threads.
template <typename Each>
void for_each_run(const UndistortMap& map, const Each& each) {
  constexpr int kRowsAtOnce = 128;
  tbb::parallel_for(tbb::blocked_range<int>(0, map.to.height_px, kRowsAtOnce),
                    [&](const tbb::blocked_range<int>& rows) { for_each_run_of(map, rows, each); });
}

template <typename T, int C, int N>
void resample_run(const Resampler<T, C, N>& resampler, const Run& run, T* out) {
  std::int64_t x = run.x;
  std::int64_t y = run.y;
  for (int column = run.first; column < run.last; ++column, x += run.step_x, y += run.step_y) {
    resampler.at(x, y, out + column * C);
  }
}

#ifdef TRUNNION_AVX2
template <typename T>
[[gnu::target("avx2")]] void resample_run_wide(const Resampler<T, 3, 4>& resampler, const Run& run,
                                               T* out) {
  std::int64_t x = run.x;
  std::int64_t y = run.y;
  for (int column = run.first; column < run.last; ++column, x += run.step_x, y += run.step_y) {
    const auto taps = resampler.taps(x, y);
    if (taps.corner != nullptr) {
      sample_cubic_wide(taps.corner, resampler.stride(), taps.wx, taps.wy, out + column * 3);
    } else {
      resampler.at_border(x, y, taps, out + column * 3);
    }
  }
}
#endif

template <typename T, int C, int N>
void resample(const cv::Mat& source, const UndistortMap& map, cv::Mat& result) {
  const Resampler<T, C, N> resampler(source);
#ifdef TRUNNION_AVX2
  if constexpr (C == 3 && N == 4) {  // what nearly all images are
    if (has_wide_registers()) {
      return for_each_run(map, [&](int row, const Run& run) {
        resample_run_wide(resampler, run, result.ptr<T>(row));
      });
    }
  }
#endif
  for_each_run(map,
               [&](int row, const Run& run) { resample_run(resampler, run, result.ptr<T>(row)); });
}

// Which blocks of a mask hold one value only: away from the outline there is nothing to
// interpolate.
class UniformBlocks {
 public:
  explicit UniformBlocks(const cv::Mat& mask)
      : size_(mask.size()),
        value_((mask.rows + kSide - 1) / kSide, (mask.cols + kSide - 1) / kSide, CV_16S) {
    std::vector<std::uint8_t> least(static_cast<std::size_t>(mask.cols));
    std::vector<std::uint8_t> most(least.size());
    for (int j = 0; j < value_.rows; ++j) {
      std::fill(least.begin(), least.end(), std::uint8_t{255});
      std::fill(most.begin(), most.end(), std::uint8_t{0});
      for (int y = j * kSide; y < std::min(mask.rows, (j + 1) * kSide); ++y) {
        const auto* row = mask.ptr<std::uint8_t>(y);
        for (std::size_t x = 0; x < least.size(); ++x) {
          least[x] = std::min(least[x], row[x]);
          most[x] = std::max(most[x], row[x]);
        }
      }
      for (int i = 0; i < value_.cols; ++i) {
        const int end = std::min(mask.cols, (i + 1) * kSide);
        const auto lo = *std::min_element(least.begin() + i * kSide, least.begin() + end);
        const auto hi = *std::max_element(most.begin() + i * kSide, most.begin() + end);
        value_.at<std::int16_t>(j, i) = lo == hi ? lo : kMixed;
      }
    }
  }

  // The one value that all of a run's taps have; kMixed where there are several or some lie
  // outside.
  [[nodiscard]] int value_under(const Run& run) const {
    const std::int64_t steps = run.last - run.first - 1;
    const auto [x0, x1] = std::minmax({run.x, run.x + steps * run.step_x});
    const auto [y0, y1] = std::minmax({run.y, run.y + steps * run.step_y});
    // A pixel more on either side: the taps, and fractions that are rounded up to the next pixel.
    const std::int64_t left = (x0 >> kFractionBits) - 1;
    const std::int64_t right = (x1 >> kFractionBits) + 2;
    const std::int64_t top = (y0 >> kFractionBits) - 1;
    const std::int64_t bottom = (y1 >> kFractionBits) + 2;
    if (left < 0 || top < 0 || right >= size_.width || bottom >= size_.height) return kMixed;
    const int value =
        value_.at<std::int16_t>(static_cast<int>(top) / kSide, static_cast<int>(left) / kSide);
    for (int j = static_cast<int>(top) / kSide; j <= static_cast<int>(bottom) / kSide; ++j) {
      for (int i = static_cast<int>(left) / kSide; i <= static_cast<int>(right) / kSide; ++i) {
        if (value_.at<std::int16_t>(j, i) != value) return kMixed;
      }
    }
    return value;
  }

  static constexpr std::int16_t kMixed = -1;

 private:
  static constexpr int kSide = 32;
  cv::Size size_;
  cv::Mat value_;
};

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

bool folds_at_a_node(const UndistortMap& map) {
  for (int row = 0; row < map.to.height_px; ++row) {
    for (int column = 0; column < map.to.width_px + map.node_spacing_px;
         column += map.node_spacing_px) {
      if (folded_at(map, column, row)) return true;
    }
  }
  return false;
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
  if (!map.identity) map.folds = folds_at_a_node(map);
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
  CV_Assert(coverage.type() == CV_8UC1);
  const Resampler<std::uint8_t, 1, 2> resampler(coverage);
  const UniformBlocks blocks(coverage);
  cv::Mat result(map.to.height_px, map.to.width_px, CV_8U);
  for_each_run(map, [&](int row, const Run& run) {
    auto* out = result.ptr<std::uint8_t>(row);
    const int value = blocks.value_under(run);
    if (value == UniformBlocks::kMixed) {
      resample_run(resampler, run, out);
    } else {
      std::fill(out + run.first, out + run.last, static_cast<std::uint8_t>(value));
    }
  });
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

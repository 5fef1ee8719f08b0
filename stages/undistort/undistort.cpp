#include "stages/undistort/undistort.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <deque>
#include <utility>
#include <vector>

#include "core/error.h"
#include "stages/undistort/runs.h"

namespace trunnion::undistort {
namespace {

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

// Rows of the new image.
struct Rows {
  cv::Range range;
  cv::Mat pixels;
};

template <typename T, int C, int N>
void resample(const cv::Mat& source, const UndistortMap& map, Rows& rows) {
  const Resampler<T, C, N> resampler(source);
  const auto out = [&](int row) { return rows.pixels.ptr<T>(row - rows.range.start); };
#ifdef TRUNNION_AVX2
  if constexpr (C == 3 && N == 4) {  // what nearly all images are
    if (has_wide_registers()) {
      return for_each_run(map, rows.range, [&](int row, const Run& run) {
        resample_run_wide(resampler, run, out(row));
      });
    }
  }
#endif
  for_each_run(map, rows.range,
               [&](int row, const Run& run) { resample_run(resampler, run, out(row)); });
}

template <int N>
void resample(const cv::Mat& source, const UndistortMap& map, Rows& rows) {
  switch (source.type()) {
    case CV_8UC1:
      return resample<std::uint8_t, 1, N>(source, map, rows);
    case CV_8UC3:
      return resample<std::uint8_t, 3, N>(source, map, rows);
    case CV_8UC4:
      return resample<std::uint8_t, 4, N>(source, map, rows);
    case CV_16UC1:
      return resample<std::uint16_t, 1, N>(source, map, rows);
    case CV_16UC3:
      return resample<std::uint16_t, 3, N>(source, map, rows);
    case CV_16UC4:
      return resample<std::uint16_t, 4, N>(source, map, rows);
    default:
      throw data_error("Undistortion takes 8 or 16 bit images of 1, 3 or 4 channels only.");
  }
}

void resample(const cv::Mat& source, const UndistortMap& map, Interpolation interpolation,
              Rows& rows) {
  if (interpolation == Interpolation::cubic) {
    resample<4>(source, map, rows);
  } else {
    resample<8>(source, map, rows);
  }
}

// Bands of new rows wait until no later band reads the source's rows in their place.
void resample_in_place(cv::Mat& image, const UndistortMap& map, Interpolation interpolation) {
  constexpr int kBandRows = 128;
  std::deque<Rows> waiting;
  std::vector<cv::Mat> spare;
  for (int row = 0; row < image.rows; row += kBandRows) {
    Rows band{{row, std::min(row + kBandRows, image.rows)}, {}};
    if (!spare.empty()) {
      band.pixels = std::move(spare.back());
      spare.pop_back();
    } else {
      band.pixels.create(kBandRows, image.cols, image.type());
    }
    resample(image, map, interpolation, band);
    waiting.push_back(std::move(band));
    const int next = waiting.back().range.end;
    const int needed =
        next < image.rows ? map.first_source_row[static_cast<std::size_t>(next)] : image.rows;
    while (!waiting.empty() && waiting.front().range.end <= needed) {
      Rows& done = waiting.front();
      done.pixels.rowRange(0, done.range.size()).copyTo(image.rowRange(done.range));
      spare.push_back(std::move(done.pixels));
      waiting.pop_front();
    }
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

constexpr double kNowhere = -1e6;

// Past the fold the polynomial turns back and would show the image a second time.
SourcePlace node_at(const UndistortMap& map, double column, double row) {
  const Eigen::Vector2d ideal((column - map.to.cx) / map.to.fx, (row - map.to.cy) / map.to.fy);
  Eigen::Vector2d place = Eigen::Vector2d::Constant(kNowhere);
  if (distort_jacobian(map.from, ideal).determinant() > 0.0) place = to_source(map, {column, row});
  const auto fixed = [](double value) {
    return std::llrint(std::clamp(value, kNowhere, -kNowhere) * kOne);
  };
  return {fixed(place.x()), fixed(place.y())};
}

void set_nodes(UndistortMap& map) {
  map.nodes_a_row = (map.to.width_px + map.node_spacing_px - 1) / map.node_spacing_px + 1;
  const auto rows = static_cast<std::size_t>(map.to.height_px);
  map.nodes.resize(rows * static_cast<std::size_t>(map.nodes_a_row));
  tbb::parallel_for(0, map.to.height_px, [&](int row) {
    SourcePlace* nodes = map.nodes.data() + std::ptrdiff_t{row} * map.nodes_a_row;
    for (int k = 0; k < map.nodes_a_row; ++k) nodes[k] = node_at(map, k * map.node_spacing_px, row);
  });
  // Between nodes places change evenly, so the lowest are at nodes.
  map.first_source_row.resize(rows);
  std::int64_t first = std::int64_t{map.from.height_px} << kFractionBits;
  for (int row = map.to.height_px - 1; row >= 0; --row) {
    const SourcePlace* nodes = map.nodes_of(row);
    for (int k = 0; k < map.nodes_a_row; ++k) first = std::min(first, nodes[k].y);
    // The widest kernel's taps, and fractions that are rounded.
    constexpr int kAbove = 5;
    map.first_source_row[static_cast<std::size_t>(row)] =
        std::max(0, static_cast<int>(first >> kFractionBits) - kAbove);
  }
}

}  // namespace

UndistortMap undistort_map(const Camera& source, const UndistortSettings& settings) {
  return undistort_map_to(source, undistorted_camera(source, settings));
}

UndistortMap undistort_map_to(const Camera& from, const Camera& to) {
  UndistortMap map;
  map.from = from;
  map.to = to;
  map.identity = from == to;
  if (map.identity) return map;
  constexpr double kLargestError_px = 0.001;
  map.node_spacing_px = 64;
  while (map.node_spacing_px > 1 &&
         interpolation_error(map, map.node_spacing_px) > kLargestError_px) {
    map.node_spacing_px /= 2;
  }
  set_nodes(map);
  return map;
}

void undistort_image(cv::Mat& image, const UndistortMap& map, Interpolation interpolation) {
  if (map.identity) return;
  if (image.cols == map.to.width_px && image.rows == map.to.height_px) {
    resample_in_place(image, map, interpolation);
    return;
  }
  Rows all{{0, map.to.height_px}, cv::Mat(map.to.height_px, map.to.width_px, image.type())};
  resample(image, map, interpolation, all);
  image = all.pixels;
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

}  // namespace trunnion::undistort

// Rows of the new image in runs along which the place in the source changes evenly: see
// undistort.h.
#pragma once

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "stages/undistort.h"
#include "stages/undistort_sample.h"

namespace trunnion::resampling {

inline constexpr double kNowhere = -1e6;

inline bool folded_at(const UndistortMap& map, double column, double row) {
  const Eigen::Vector2d ideal((column - map.to.cx) / map.to.fx, (row - map.to.cy) / map.to.fy);
  return !(distort_jacobian(map.from, ideal).determinant() > 0.0);
}

inline Eigen::Vector2d place(const UndistortMap& map, double column, double row) {
  // Past the fold the polynomial turns back and would show the image a second time.
  if (map.folds && folded_at(map, column, row)) return Eigen::Vector2d::Constant(kNowhere);
  return to_source(map, {column, row});
}

inline std::int64_t fixed(double value) {
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

// The same over a part of it, rows on all threads.
template <typename Each>
void for_each_run(const UndistortMap& map, const cv::Range& rows, const Each& each) {
  constexpr int kRowsAtOnce = 32;
  tbb::parallel_for(tbb::blocked_range<int>(rows.start, rows.end, kRowsAtOnce),
                    [&](const tbb::blocked_range<int>& part) { for_each_run_of(map, part, each); });
}

template <typename T, int C, int N>
void resample_run(const Resampler<T, C, N>& resampler, const Run& run, T* out) {
  std::int64_t x = run.x;
  std::int64_t y = run.y;
  for (int column = run.first; column < run.last; ++column, x += run.step_x, y += run.step_y) {
    resampler.at(x, y, out + column * C);
  }
}

}  // namespace trunnion::resampling

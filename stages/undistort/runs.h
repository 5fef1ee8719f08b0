// Rows of the new image in runs along which the place in the source changes evenly: see
// undistort.h.
#pragma once

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <bit>
#include <cstdint>

#include "stages/undistort/sample.h"
#include "stages/undistort/undistort.h"

namespace trunnion::undistort {

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
  const int shift = std::countr_zero(static_cast<unsigned>(spacing));
  for (int row = rows.begin(); row < rows.end(); ++row) {
    const SourcePlace* node = map.nodes_of(row);
    for (int first = 0; first < map.to.width_px; first += spacing, ++node) {
      each(row, Run{first, std::min(first + spacing, map.to.width_px), node[0].x, node[0].y,
                    (node[1].x - node[0].x) >> shift, (node[1].y - node[0].y) >> shift});
    }
  }
}

// The same over a part of it, rows on all threads.
template <typename Each>
void for_each_run(const UndistortMap& map, const cv::Range& rows, const Each& each) {
  constexpr int kRowsAtOnce = 8;
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

}  // namespace trunnion::undistort

// Judge series: what is wrong with the frames of one focus series, before they are fused and while
// the specimen may still be on the stage. It reads the previews (core/preview_grids.h), times and
// file numbers; no image is decoded.
//
//   flash     brightness below 0.3 of the frames around: the light did not fire
//   exposure  brightness off by more than 20 % of the frames around, after their trend
//   twice     a frame that differs from the one before by far less than a step of focus does
//   gap       the step of focus to a frame is longer than the others: a number or two intervals of
//             time are missing, or the difference of the previews is about twice the usual
//   moved     a frame that differs from both neighbours far more than they differ from each other
//   near, far not covered: cells of the grid whose detail still grows towards the first (last)
//             frame, where in a series that covers the depth all are blurred there
//
// Previews are small: what is blurred by less than one of their pixels looks sharp. So "covered"
// can be said only of what the previews resolve, and a series of few and fine steps shows little.
// A mount or backdrop within the depth beyond the specimen's counts like the specimen.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "core/preview_grids.h"

namespace trunnion::judge_series {

struct SeriesFrame {
  PreviewGrids grids;  // empty: no preview
  std::optional<double> time_s;
  std::optional<int> number;  // of the file; 9999 is followed by 1
};

enum class Fault { flash, exposure, twice, gap, moved, near_depth, far_depth };
[[nodiscard]] const char* name_of(Fault fault);

struct FaultyFrame {
  Fault fault = Fault::flash;
  std::size_t frame = 0;  // of the series
  double measure = 0;     // flash, exposure: brightness; gap: steps; depths: share of the cells
};

// In the order of the frames. `ends`: whether the series is whole, so that its ends are judged.
std::vector<FaultyFrame> judge_series(const std::vector<SeriesFrame>& frames, bool ends = true);

}  // namespace trunnion::judge_series

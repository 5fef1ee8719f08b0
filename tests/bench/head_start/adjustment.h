// A plain bundle adjustment on Ceres and OpenCV alone, as a reconstruction program runs it: from
// images alone (all pairs matched, two-view start, then view by view), or from pose priors
// (neighbours matched along epipolar lines, every view placed at once).
#pragma once

#include <optional>

#include "tests/bench/head_start/set.h"

namespace head_start {

struct Outcome {
  std::vector<std::optional<Pose>> poses;  // beside the views; empty: not registered
  int pairs_tried = 0;
  int points = 0;  // seen in three views or more
  int iterations = 0;
  double rms_px = 0;
  double matching_seconds = 0;
  double solving_seconds = 0;
};

Outcome solve_plain(const Set& set);
Outcome solve_with_priors(const Set& set);

}  // namespace head_start

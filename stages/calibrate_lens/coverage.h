// Calibrate lens: how much of the image and of the tilts the boards cover.
#pragma once

#include "stages/calibrate_lens/calibrate_lens.h"

namespace trunnion::calibrate_lens {

inline constexpr double kParallel_deg = 10.0;  // boards tilted less show no perspective
inline constexpr double kCovered = 0.6;        // share of the image
inline constexpr double kReached = 0.8;        // of the half diagonal

// Counts a corner at `p` (px).
void add_coverage(const Frame& frame, const Eigen::Vector2d& p, Coverage& coverage);
// Share of the cells that hold a corner.
double covered_share(const Coverage& coverage);
// Fills result.coverage from the corners used.
void measure_coverage(LensResult& result);
// rad, of the boards used.
double largest_tilt(const LensResult& result);

}  // namespace trunnion::calibrate_lens

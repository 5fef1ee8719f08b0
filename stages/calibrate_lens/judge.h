// Says how far a calibration can be trusted, why, and what one more board would improve most.
//
// The advice is not a table of rules: every board of a small catalogue of tilts and places is added
// to the normal equations (no image is needed for that), and the one that takes most off the mean
// variance of the reprojection over the image is named. That is the A-optimal next observation (V.
// V. Fedorov, "Theory of Optimal Experiments", 1972).
#pragma once

#include "config/setup.h"
#include "stages/calibrate_lens.h"

namespace trunnion::lens {

// Fills coverage, tilts, findings, quality, its reasons and the advice. `other_held_out` is the
// held-out error of each board under the other projection, empty where not tried.
void judge(const Setup& setup, const BoardPattern& pattern, LensResult& result);

// Compares the measured scale and principal distance with the setup; names what is wrong: the size
// of the squares, the magnification mark, or the lens.
void judge_scale(const Setup& setup, const BoardPattern& pattern, LensResult& result);

// The sentence of advice; empty where no board of the catalogue improves anything noticeably.
std::string next_board(const BoardPattern& pattern, const LensResult& result);

}  // namespace trunnion::lens

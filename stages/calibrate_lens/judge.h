// Says how far a calibration can be trusted, and why.
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

}  // namespace trunnion::lens

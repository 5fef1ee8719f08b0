// Judges how reliable a lens calibration is, and why.
#pragma once

#include "config/setup.h"
#include "stages/calibrate_lens/calibrate_lens.h"

namespace trunnion::calibrate_lens {

// Fills coverage, tilts, findings, quality, the reasons for it and the advice. Needs the fit, its
// uncertainty and the chosen model in `result`.
void judge(const Setup& setup, const BoardPattern& pattern, LensResult& result);

// Compares the measured scale and principal distance with the setup; names what is wrong: the size
// of the squares, the magnification mark, or the lens.
void judge_scale(const Setup& setup, const BoardPattern& pattern, LensResult& result);

}  // namespace trunnion::calibrate_lens

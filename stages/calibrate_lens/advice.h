// Calibrate lens: what one more board would improve most.
//
// The advice is not a table of rules: every board of a small catalogue of tilts and places is added
// to the normal equations (no image is needed for that), and the one that takes most off the mean
// variance of the reprojection over the image is named. That is the A-optimal next observation (V.
// V. Fedorov, "Theory of Optimal Experiments", 1972).
#pragma once

#include <string>

#include "stages/calibrate_lens/calibrate_lens.h"

namespace trunnion::calibrate_lens {

// A sentence, from a catalogue of tilts and places: the board that takes most off the uncertainty
// of the reprojection among those that answer the doubts; empty where no board of the catalogue
// improves anything noticeably.
std::string next_board(const BoardPattern& pattern, const LensResult& result);

}  // namespace trunnion::calibrate_lens

// Drops single corners that do not lie where the others put them.
//
// The places of a flat board are imaged by a homography, which distortion bends a little: a
// polynomial of second or third degree in the place. That is fitted to all corners with the sum of
// distances (not of their squares) as the measure, so that a few wild ones do not pull it; a corner
// is wild when it misses the fit by more than six robust sigmas, its own pull on the fit taken out
// (residual / (1 - leverage)), and its row or its column puts it elsewhere, too: in the corners of
// a strongly distorted image the fit alone would be off by as much.
#pragma once

#include <vector>

#include "core/checkerboard.h"

namespace trunnion {

// `spacing_px`: of neighbouring corners; misses under a hundredth of it are never wild.
std::vector<BoardCorner> without_outliers(const std::vector<BoardCorner>& corners,
                                          double spacing_px);

}  // namespace trunnion

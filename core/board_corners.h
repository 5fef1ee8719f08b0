// Measures the corners of a checkerboard in the full image.
#pragma once

#include "core/board_lattice.h"

namespace trunnion {

// `grey` CV_8U or CV_16U, one channel; the lattice in its pixels. Corners whose window leaves the
// image or that run away from where the detector saw them are left out. Method:
// core/checkerboard.h.
std::vector<BoardCorner> measured_corners(const cv::Mat& grey, const Lattice& lattice,
                                          int half_window, double allowed_move_px);

}  // namespace trunnion

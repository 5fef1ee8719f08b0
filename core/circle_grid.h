// Circle grids: dots on the corners of squares (symmetric) or with every other row shifted by half
// a distance (staggered, also called asymmetric). Any part of the grid will do.
//
// Dots are found as filled ellipses in a reduced image, dark on light or light on dark, and linked
// to a lattice by their neighbours. Each centre is the centroid of the dot's darkness in the full
// image against the ground around it. The centroid is the centre of the imaged ellipse, which is
// not the image of the circle's centre where the view has perspective; the difference is computed
// from the dot's own size and the homography of the grid, and taken out (J. Heikkila, "Geometric
// camera calibration using circular control points", PAMI 22(10), 2000).
#pragma once

#include "core/checkerboard.h"

namespace trunnion {

// `grey`: one channel, 8 or 16 bit; `plain`: reduced and stretched to 8 bit.
BoardView find_circles(const cv::Mat& grey, const cv::Mat& plain, const BoardPattern& pattern,
                       const BoardOptions& options);

}  // namespace trunnion

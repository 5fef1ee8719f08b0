// The dots of a circle grid in a reduced image, linked to a lattice.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "core/checkerboard.h"

namespace trunnion {

struct Dot {
  cv::Point2f centre;    // px of the reduced image
  double radius_px = 0;  // of the circle of the same area
  int column = 0;        // lattice units of the pattern, from 0
  int row = 0;
};

struct DotLattice {
  int columns = 0;  // extent
  int rows = 0;
  bool first_dark = true;  // staggered: (0, 0) is a dot's place
  std::vector<Dot> dots;   // by row, then column; columns turn clockwise into rows
};

// Dark dots of `plain` (8 bit). Empty where no lattice that fits into the pattern was found; the
// largest that was seen is then in `seen`.
DotLattice find_dot_lattice(const cv::Mat& plain, const BoardPattern& pattern, DotLattice* seen);

}  // namespace trunnion

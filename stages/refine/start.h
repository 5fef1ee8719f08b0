// Refine, the start: axis, starts and principal distance from matches alone, without points, by
// robust minimisation of the distances from epipolar lines (Sampson error; Hartley and Zisserman,
// "Multiple View Geometry", 2nd edition, section 11.4.3) over all pairs at once, with the priors as
// residuals. Few parameters and no structure: it converges from geometry that is wrong by ten
// degrees and more, where an adjustment of points would end in a local minimum.
#pragma once

#include <vector>

#include "stages/refine/match.h"
#include "stages/refine/rig.h"

namespace trunnion::refine {

struct StartOptions {
  double sigma_px = 1.0;    // of a feature's position
  bool free_angles = true;  // else the stage angles are believed
  bool free_mount = false;  // the motion of the stations after a bump
  // Widths (sigma_px) of the robust loss, from coarse to fine.
  std::vector<double> widths{30.0, 8.0, 2.0};
};

struct StartResult {
  RigValues values;
  double cost = 0;             // robust, at the finest width, priors included
  double inlier_fraction = 0;  // matches within 3 sigma_px
  int matches = 0;
};

// `positions`: ideal pixels a view.
StartResult start_from_matches(const RigModel& model, const RigValues& values,
                               const std::vector<PairMatches>& pairs,
                               const std::vector<std::vector<Eigen::Vector2d>>& positions,
                               const StartOptions& options);

// At most `most` matches of every pair, evenly from all: what a fit of few parameters needs.
std::vector<PairMatches> thinned(const std::vector<PairMatches>& pairs, std::size_t most);

// Signed Sampson distance (px) of one correspondence.
double sampson_distance(const Eigen::Matrix3d& F, const Eigen::Vector2d& a,
                        const Eigen::Vector2d& b);

// F of a pair of views as the rig has it.
Eigen::Matrix3d fundamental_of(const RigModel& model, const RigValues& values, std::size_t a,
                               std::size_t b);

}  // namespace trunnion::refine

// Refine: at which angle of the turn views see the points that other views place.
#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <functional>
#include <optional>
#include <set>
#include <vector>

#include "stages/refine/faults.h"
#include "stages/refine/tracks.h"

namespace trunnion::refine {

// A place in space, and where a view saw it.
struct Correspondence {
  Eigen::Vector3d position_mm;
  Eigen::Vector2d at_px;
  std::size_t view = 0;
};

// Correspondences found with the stage angles of `views` moved by `correction` (rad).
int found_at(const RigModel& model, RigValues values, const std::set<std::size_t>& views,
             double correction, const std::vector<Correspondence>& correspondences,
             double limit_px);

struct Turn {
  double correction = 0;  // rad
  int points = 0;         // found there
};

// The correction at which most correspondences are found: half degrees all around, then twentieths.
Turn best_turn(const RigModel& model, const RigValues& values, const std::set<std::size_t>& views,
               const std::vector<Correspondence>& correspondences, double limit_px);

// Where `track` lies by the views for which `serves` holds, at least two of them.
std::optional<Eigen::Vector3d> placed_by(const Track& track, const RigModel& model,
                                         const RigValues& values,
                                         const std::function<bool(std::size_t)>& serves,
                                         double tolerance_px);

// Points of three views and more, of all rings.
std::vector<Track> all_long_tracks(const std::vector<PairMatches>& pairs,
                                   const Positions& positions);

}  // namespace trunnion::refine

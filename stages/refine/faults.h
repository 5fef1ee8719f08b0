// Refine, drop-outs found from the images alone, before the adjustment:
//   reversed turning   the matches fit the rig far better when it turns the other way;
//   bumped specimen    pairs on either side of a station fit among themselves but not across it,
//                      until everything from that station on is moved as one rigid body;
//   wrong angle        a station's points, triangulated from the others, fit it at another angle.
#pragma once

#include <optional>
#include <vector>

#include "stages/refine/start.h"
#include "stages/refine/tracks.h"

namespace trunnion::refine {

using Positions = std::vector<std::vector<Eigen::Vector2d>>;  // ideal pixels a view

// The model with every stage angle negated.
RigModel turned_backwards(const RigModel& model);

struct Bump {
  std::size_t view = 0;  // the first one after it
  RigModel model;        // with the stations after it marked
  RigValues values;
};
std::optional<Bump> find_bump(const RigModel& model, const StartResult& start,
                              const std::vector<PairMatches>& pairs, const Positions& positions,
                              double sigma_px);

struct WrongAngle {
  std::size_t view = 0;
  double correction = 0;  // rad
  int points = 0;         // that fit there
};
// `values` of the start; each suspicious view is resected from points of the others.
std::vector<WrongAngle> find_wrong_angles(const RigModel& model, const RigValues& values,
                                          const std::vector<PairMatches>& pairs,
                                          const Positions& positions, double sigma_px);

}  // namespace trunnion::refine

// Refine, a bump of the specimen, found from the images alone, before the adjustment: pairs on
// either side of a station fit among themselves but not across it, until everything from that
// station on is moved as one rigid body.
#pragma once

#include <optional>
#include <vector>

#include "stages/refine/start.h"
#include "stages/refine/tracks.h"

namespace trunnion::refine {

using Positions = std::vector<std::vector<Eigen::Vector2d>>;  // ideal pixels a view

struct Bump {
  std::size_t view = 0;  // the first one after it
  RigModel model;        // with the stations after it marked
  RigValues values;
};
std::optional<Bump> find_bump(const RigModel& model, const StartResult& start,
                              const std::vector<PairMatches>& pairs, const Positions& positions,
                              double sigma_px);

}  // namespace trunnion::refine

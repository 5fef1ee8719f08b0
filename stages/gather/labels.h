// Part of gather: which station each part shows, where the cuts are made (gather.h). Previews of
// two parts at one plane of focus are equal where the parts show the same station, which tells a
// series that was shot twice, or given up and begun again, from one of the next station.
#pragma once

#include <vector>

#include "stages/gather/evidence.h"
#include "stages/gather/gather.h"
#include "stages/gather/lattice.h"

namespace trunnion::gather {

// `frames` of the order, `units` those that did not fail. Kind, station and the probability of both
// are set again in `parts`; where they begin and end stays.
void label_parts(const std::vector<Frame>& frames, const std::vector<std::size_t>& units,
                 const std::vector<Gap>& gaps, const std::vector<Expected>& expected,
                 const GapModel& model, std::vector<Segment>& parts);

}  // namespace trunnion::gather

// The frames of gathered series judged before they are fused (stages/judge_series).
#pragma once

#include <vector>

#include "core/finding.h"
#include "pipeline/gather/series_table.h"
#include "stages/gather/gather.h"

namespace trunnion {

// Adds a finding for each fault of a series that stands for a station, and the fault in words to
// its row. `frames` in their order.
void judge_parts(const std::vector<gather::Frame>& frames, const gather::Gathering& gathering,
                 std::vector<SeriesRow>& rows, Findings& findings);

}  // namespace trunnion

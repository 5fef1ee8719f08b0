// What is reported of gathered series.
#pragma once

#include <string>
#include <vector>

#include "core/finding.h"
#include "pipeline/gather/series_table.h"
#include "stages/gather/gather.h"

namespace trunnion {

// The doubts about one part in words, for series.csv; `names` of the frames in order.
std::string part_doubts(const gather::Gathering& gathering, const gather::Part& part,
                        const std::vector<std::string>& names);

// Uncertain boundaries and stations, what was set aside, what is missing, failed frames, jumps of
// the clock, and series that have other numbers of frames than planned.
void add_series_findings(const std::vector<gather::Frame>& frames,
                         const gather::Gathering& gathering, const std::vector<SeriesRow>& rows,
                         Findings& findings);

}  // namespace trunnion

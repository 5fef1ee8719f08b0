// WORKSPACE/series-corrected.csv: lines of series.csv that a person corrected. What they say
// stands; only the frames that they do not name are divided by gather itself.
#pragma once

#include <filesystem>
#include <vector>

#include "pipeline/gather/series_table.h"
#include "stages/gather/gather.h"

namespace trunnion {

inline constexpr const char* kCorrectedSeries = "series-corrected.csv";

// Its lines that name frames; empty where there is no such file. Of a line count state, ring,
// station, first, last and, where two frames have one name, first_time and last_time.
std::vector<SeriesRow> read_corrected_series(const std::filesystem::path& workspace);

// `frames` in their order. Throws a data error that names the file for a line whose frames are not
// there, overlap another's or are in the wrong order, and for a station that is none or given
// twice.
gather::Gathering gather_with_corrections(const std::vector<gather::Frame>& frames,
                                          const std::vector<gather::Expected>& expected,
                                          const std::vector<SeriesRow>& corrected,
                                          const gather::GatherOptions& options);

}  // namespace trunnion

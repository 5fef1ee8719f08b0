// Shot list: the planned stations as a table for whatever controls stage and rail.
//
//   ring,station,elevation_deg,stage_angle_deg,slices,first_mm,step_mm,last_mm,positions_mm
// One line a station. Rail positions are those of the plane of focus in front of the rotation axis,
// mm, positive towards the camera: the series runs from the near end (first_mm) to the far end.
// positions_mm repeats them one by one, separated by blanks.
//
// The cautions (core/cautions.h) stand above the column names in lines that begin with #, as in the
// exported CSV files. Comma-separated, RFC 4180 otherwise, lines end in CR LF. Text that a
// spreadsheet would take for a formula (a cell that begins with = + - @, a tab or a line break)
// gets an apostrophe in front; numbers stay numbers.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "config/capture_plan.h"

namespace trunnion::shot_list {

std::string shot_list_csv(const std::vector<PlannedRing>& rings, double step_mm);

// A text cell, quoted and made harmless.
std::string csv_text(std::string_view text);

}  // namespace trunnion::shot_list

// Shot list: the planned stations as sheets and tables for a person at the rig or for whatever
// controls stage and rail.
//
// Rail positions are those of the plane of focus in front of the rotation axis, mm, positive
// towards the camera: a series runs from the near end (first_mm) to the far end. Stage angles are
// degrees, signed by the direction of turning. The cautions (core/cautions.h) stand on top of each.
#pragma once

#include <ctime>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "config/capture_plan.h"

namespace trunnion::shot_list {

//   ring,station,elevation_deg,stage_angle_deg,slices,first_mm,step_mm,last_mm,positions_mm
// One line a station; positions_mm repeats the rail positions one by one, separated by blanks.
//
// The cautions stand above the column names in lines that begin with #, as in the exported CSV
// files. Comma-separated, RFC 4180 otherwise, lines end in CR LF. Text that a spreadsheet would
// take for a formula (a cell that begins with = + - @, a tab or a line break) gets an apostrophe in
// front; numbers stay numbers.
std::string shot_list_csv(const std::vector<PlannedRing>& rings, double step_mm);

// Seconds since the begin of the capture, in the order of the plan: from the moment the stage turns
// to the station until its last frame is taken. A change of ring lies between two rings.
struct StationTime {
  double begin_s = 0;
  double end_s = 0;
};
std::vector<StationTime> station_times(const std::vector<PlannedRing>& rings,
                                       const CaptureTimes& times);

// One line a frame, CSV as above:
//   move,ring,station,slice,elevation_deg,stage_angle_deg,rail_mm,begin_s
// begin_s: when the rail starts towards rail_mm.
std::string motion_csv(const CapturePlan& plan, const CaptureTimes& times);

// The same moves by a mustache template, for any controller. Fields: title, setup, frames,
// stations, settle_s, exposure_s, ready_s, station_s, {{#cautions}} {{text}} {{/cautions}} and
// {{#rings}} ring, elevation_deg, {{#stations}} station,
// stage_angle_deg, slices, file, {{#slices_of}} slice, rail_mm {{/slices_of}} {{/stations}}
// {{/rings}}. {{field}} is fit for a comment: no line break, brackets instead of parentheses.
// Throws data errors of fill_template (core/text_template.h).
std::string motion_program(const CapturePlan& plan, const CaptureTimes& times,
                           const std::filesystem::path& template_file);

// A page to print and to tick (HTML, one file, no script): the cautions, the setup, and for each
// ring a table of its stations with angle, tilt, rail positions, slices, file name and time. Times
// are those of the clock where `start` is given (s since 1970-01-01 of the clock on the wall), else
// they count from the begin.
std::string rig_sheet_html(const CapturePlan& plan, const CaptureTimes& times,
                           const std::optional<std::time_t>& start,
                           const std::filesystem::path& template_file);

}  // namespace trunnion::shot_list

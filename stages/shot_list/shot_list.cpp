#include "stages/shot_list/shot_list.h"

#include <fmt/format.h>

#include <iterator>

#include "core/angle.h"
#include "core/csv.h"
#include "stages/shot_list/moves.h"

namespace trunnion::shot_list {

std::string shot_list_csv(const std::vector<PlannedRing>& rings, double step_mm) {
  std::string csv = csv_cautions();
  csv +=
      "ring,station,elevation_deg,stage_angle_deg,slices,first_mm,step_mm,last_mm,positions_mm\r\n";
  auto out = std::back_inserter(csv);
  for (const PlannedRing& ring : rings) {
    for (const PlannedStation& station : ring.stations) {
      fmt::format_to(out, "{},{},{:.3f},{:.4f},{},{:.5f},{:.5f},{:.5f},", csv_cell(ring.name),
                     station.station, degrees(ring.elevation), degrees(station.stage_angle),
                     station.slices, position_mm(station, 0, step_mm), step_mm,
                     position_mm(station, station.slices - 1, step_mm));
      for (int slice = 0; slice < station.slices; ++slice) {
        fmt::format_to(out, "{}{:.5f}", slice > 0 ? " " : "", position_mm(station, slice, step_mm));
      }
      csv += "\r\n";
    }
  }
  return csv;
}

std::vector<StationTime> station_times(const std::vector<PlannedRing>& rings,
                                       const CaptureTimes& times) {
  std::vector<StationTime> result;
  double now = 0;
  for (const PlannedRing& ring : rings) {
    if (&ring != &rings.front()) now += times.ring_s;
    for (const PlannedStation& station : ring.stations) {
      const double end = now + times.station_s + station.slices * times.frame_s();
      result.push_back({now, end});
      now = end;
    }
  }
  return result;
}

std::string motion_csv(const CapturePlan& plan, const CaptureTimes& times) {
  const std::vector<StationTime> clock = station_times(plan.rings, times);
  std::string csv = csv_cautions();
  csv += "move,ring,station,slice,elevation_deg,stage_angle_deg,rail_mm,begin_s\r\n";
  auto out = std::back_inserter(csv);
  std::size_t at = 0;
  std::size_t move = 0;
  for (const PlannedRing& ring : plan.rings) {
    for (const PlannedStation& station : ring.stations) {
      const double first_s = clock[at++].begin_s + times.station_s;
      for (int slice = 0; slice < station.slices; ++slice) {
        fmt::format_to(
            out, "{},{},{},{},{:.3f},{:.4f},{:.5f},{:.2f}\r\n", ++move, csv_cell(ring.name),
            station.station, slice + 1, degrees(ring.elevation), degrees(station.stage_angle),
            position_mm(station, slice, plan.chosen.step_mm), first_s + slice * times.frame_s());
      }
    }
  }
  return csv;
}

}  // namespace trunnion::shot_list

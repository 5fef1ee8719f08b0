#include "stages/shot_list/shot_list.h"

#include <fmt/format.h>

#include <cmath>
#include <iterator>

#include "core/angle.h"
#include "core/cautions.h"

namespace trunnion::shot_list {

std::string csv_text(std::string_view text) {
  std::string cell(text);
  if (!cell.empty() &&
      std::string_view("=+-@\t\r\n").find(cell.front()) != std::string_view::npos) {
    cell.insert(cell.begin(), '\'');
  }
  if (cell.find_first_of(",\"\r\n") == std::string::npos) return cell;
  std::string quoted = "\"";
  for (const char c : cell) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + '"';
}

std::string shot_list_csv(const std::vector<PlannedRing>& rings, double step_mm) {
  std::string csv = fmt::format("# {}\r\n", cautions_rule());
  for (const Caution& caution : cautions()) {
    csv += fmt::format("# {}: {}\r\n", caution.subject, caution.text);
  }
  csv +=
      "ring,station,elevation_deg,stage_angle_deg,slices,first_mm,step_mm,last_mm,positions_mm\r\n";
  auto out = std::back_inserter(csv);
  for (const PlannedRing& ring : rings) {
    for (const PlannedStation& station : ring.stations) {
      const auto position = [&](int slice) {
        // + 0.0 turns the -0.0 of a rounded middle slice into 0.
        return std::round((station.first_mm - slice * step_mm) * 1e5) / 1e5 + 0.0;
      };
      fmt::format_to(out, "{},{},{:.3f},{:.4f},{},{:.5f},{:.5f},{:.5f},", csv_text(ring.name),
                     station.station, degrees(ring.elevation), degrees(station.stage_angle),
                     station.slices, position(0), step_mm, position(station.slices - 1));
      for (int slice = 0; slice < station.slices; ++slice) {
        fmt::format_to(out, "{}{:.5f}", slice > 0 ? " " : "", position(slice));
      }
      csv += "\r\n";
    }
  }
  return csv;
}

}  // namespace trunnion::shot_list

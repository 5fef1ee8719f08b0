// What sheets, tables and programs of moves share.
#pragma once

#include <fmt/format.h>

#include <cmath>
#include <string>

#include "config/capture_plan.h"
#include "core/cautions.h"

namespace trunnion::shot_list {

// Plane of focus of a slice, mm; + 0.0 turns the -0.0 of a rounded middle slice into 0.
inline double position_mm(const PlannedStation& station, int slice, double step_mm) {
  return std::round((station.first_mm - slice * step_mm) * 1e5) / 1e5 + 0.0;
}

inline std::string fused_file(const PlannedRing& ring, const PlannedStation& station) {
  return fmt::format("{}_{:03}.tif", ring.name, station.station);
}

inline std::string csv_cautions() {
  std::string csv = fmt::format("# {}\r\n", cautions_rule());
  for (const Caution& caution : cautions()) {
    csv += fmt::format("# {}: {}\r\n", caution.subject, caution.text);
  }
  return csv;
}

}  // namespace trunnion::shot_list

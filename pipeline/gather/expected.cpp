#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "config/capture_plan.h"
#include "config/capture_table.h"
#include "core/angle.h"
#include "core/error.h"
#include "pipeline/gather/gather_run.h"

namespace trunnion {
namespace {

std::string fused_name(const Ring& ring, int station) {
  constexpr std::string_view kKey = "{station}";
  std::string name = ring.pattern;
  const std::size_t at = name.find(kKey);
  return at == std::string::npos ? name
                                 : name.replace(at, kKey.size(), fmt::format("{:03}", station));
}

std::size_t ring_of(const Specimen& specimen, const CaptureRow& row, const fs::path& table) {
  if (row.ring.empty() && specimen.rings.size() == 1) return 0;
  for (std::size_t r = 0; r < specimen.rings.size(); ++r) {
    if (specimen.rings[r].name == row.ring) return r;
  }
  throw data_error(
      fmt::format("{}, line {}: ring \"{}\" is not in specimen.toml; add the ring or "
                  "correct the name.",
                  table.string(), row.line, row.ring));
}

}  // namespace

std::vector<ExpectedStation> expected_stations(const fs::path& workspace,
                                               const Specimen& specimen) {
  std::map<std::pair<std::string, int>, int> planned;
  if (const fs::path file = workspace / "plan.json"; fs::exists(file)) {
    for (const PlannedRing& ring : read_plan(file).rings) {
      for (const PlannedStation& s : ring.stations) planned[{ring.name, s.station}] = s.slices;
    }
  }
  std::vector<ExpectedStation> stations;
  const auto add = [&](const Ring& ring, int station, double angle, int frames,
                       const std::string& fused) {
    const auto slices = planned.find({ring.name, station});
    if (frames == 0 && slices != planned.end()) frames = slices->second;
    if (frames == 0) frames = ring.frames;
    stations.push_back({{ring.name, station, frames}, degrees(angle), fused});
  };
  if (specimen.capture_table) {
    const fs::path table = workspace / *specimen.capture_table;
    for (const CaptureRow& row : read_capture_table(table)) {
      const Ring& ring = specimen.rings[ring_of(specimen, row, table)];
      const double angle =
          row.angle ? static_cast<int>(ring.turning) * *row.angle : ring.angle_of(row.station);
      add(ring, row.station, angle, row.frames, row.file);
    }
    return stations;
  }
  for (const Ring& ring : specimen.rings) {
    for (int s = ring.first_station; s < ring.first_station + ring.stations; ++s) {
      add(ring, s, ring.angle_of(s), 0, fused_name(ring, s));
    }
  }
  return stations;
}

}  // namespace trunnion

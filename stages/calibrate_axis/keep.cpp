#include "stages/calibrate_axis/calibrate_axis.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"

namespace trunnion::calibrate_axis {
namespace {

constexpr double kSameElevation = radians(3.0);  // as orient takes a ring without a name

bool replaces(const RingAxis& now, const RingAxis& before) {
  if (!now.ring.empty()) return now.ring == before.ring;
  return std::abs(now.elevation - before.elevation) < kSameElevation;
}

const RingAxis* earlier(const AxisCalibration& before, const std::string& name) {
  const auto found = std::find_if(before.rings.begin(), before.rings.end(),
                                  [&](const RingAxis& ring) { return ring.ring == name; });
  return found == before.rings.end() ? nullptr : &*found;
}

std::string shown(const RingAxis& ring) {
  return ring.ring.empty()
             ? fmt::format("the unnamed ring at {:.1f} degrees", degrees(ring.elevation))
             : fmt::format("\"{}\"", ring.ring);
}

}  // namespace

KeptRings with_kept_rings(const AxisCalibration& before, const AxisCalibration& now) {
  KeptRings result{now, {}, {}};
  std::vector<RingAxis>& rings = result.calibration.rings;
  for (RingAxis ring : before.rings) {
    const bool replaced = std::any_of(now.rings.begin(), now.rings.end(),
                                      [&](const RingAxis& n) { return replaces(n, ring); });
    if (replaced) continue;
    ring.axis.origin_mm.z() += now.reference_mm - before.reference_mm;
    result.names.push_back(shown(ring));
    rings.push_back(ring);
  }
  if (result.names.empty()) return result;
  // Azimuths count from the new calibration's first ring; the earlier ones from theirs.
  const RingAxis* first = earlier(before, now.rings.front().ring);
  const double offset = first != nullptr ? first->azimuth : 0.0;
  for (std::size_t r = 0; r < now.rings.size(); ++r) rings[r].azimuth += offset;
  const std::string list = fmt::format("{}", fmt::join(result.names, ", "));
  result.calibration.sigma_angle = std::max(now.sigma_angle, before.sigma_angle);
  result.calibration.provenance.notes.push_back(
      fmt::format("Kept from the calibration of {}: {}.", before.provenance.date, list));
  result.findings.push_back({Severity::doubt, "calibrate axis", "",
                             fmt::format("Rings not in this call: {}; their earlier calibration is "
                                         "kept. Camera azimuth relative to the new rings is {}.",
                                         list,
                                         first != nullptr ? "taken from the earlier calibration"
                                                          : "unknown and assumed unchanged"),
                             "If the camera was moved since, calibrate all rings in one call "
                             "without moving the board on the stage."});
  return result;
}

}  // namespace trunnion::calibrate_axis

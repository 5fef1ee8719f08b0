#include "stages/plan/plan.h"

#include <fmt/format.h>

#include <array>
#include <iterator>
#include <utility>

#include "config/toml_writer.h"
#include "core/angle.h"

namespace trunnion::plan {
namespace {

constexpr std::array kBackdrops{"auto", "black", "white", "grey", "colour"};

// Six decimals are finer than any scale, and 0.43633231 rad read back as 25.000000000000004 deg
// is no service.
std::string angle(double radians) {
  return fmt::format("{:.6g}", degrees(radians));
}

}  // namespace

std::string specimen_toml(const CapturePlan& plan, const std::string& setup_path,
                          BackdropKind backdrop, const std::string& extension) {
  std::string text;
  auto out = std::back_inserter(text);
  fmt::format_to(
      out,
      "# Written by trunnion plan. Correct it after the capture: it must describe what was really "
      "shot.\n"
      "# {:.0f} frames at {} stations, focus step {:.4g} mm, expected detail {:.3g} um.\n"
      "title = {}\nsetup = {}\n\n[backdrop]\nkind = \"{}\"\n",
      plan.frames, plan.station_count, plan.chosen.step_mm, plan.chosen.resolution_um,
      toml_text(plan.title), toml_text(setup_path),
      kBackdrops.at(static_cast<std::size_t>(backdrop)));
  for (const PlannedRing& ring : plan.rings) {
    fmt::format_to(out,
                   "\n[[ring]]\nname = {}\nelevation_deg = {}\nstations = {}\nstart_deg = 0\n"
                   "turning = \"{}\"\npattern = {}\n",
                   toml_text(ring.name), angle(ring.elevation), ring.stations.size(),
                   ring.turning == Turning::clockwise ? "clockwise" : "counter-clockwise",
                   toml_text(fmt::format("fused/{}_{{station}}.{}", ring.name, extension)));
  }
  return text;
}

Setup setup_as_planned(Setup setup, const PlanOption& chosen) {
  if (!chosen.objective) setup.f_number = chosen.f_number;
  if (chosen.turned) std::swap(setup.width_px, setup.height_px);
  setup.name = planned_setup_name(chosen);
  return setup;
}

}  // namespace trunnion::plan

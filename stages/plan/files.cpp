#include "stages/plan/plan.h"

#include <fmt/format.h>

#include <array>
#include <iterator>
#include <utility>

#include "core/angle.h"

namespace trunnion::plan {
namespace {

constexpr std::array kBackdrops{"auto", "black", "white", "grey", "colour"};

// TOML distinguishes 1 and 1.0, our reader does not; the shortest form is easiest to read.
std::string number(double value) {
  return fmt::format("{}", value);
}

// Six decimals are finer than any scale, and 0.43633231 rad read back as 25.000000000000004 deg
// is no service.
std::string angle(double radians) {
  return fmt::format("{:.6g}", degrees(radians));
}

}  // namespace

std::string toml_text(std::string_view text) {
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') {
      quoted += '\\';
      quoted += c;
    } else if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) {
      quoted += fmt::format("\\u{:04X}", static_cast<unsigned>(c));
    } else {
      quoted += c;
    }
  }
  return quoted + '"';
}

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

std::string setup_toml(const Setup& setup) {
  std::string text;
  auto out = std::back_inserter(text);
  fmt::format_to(out, "title = {}\n", toml_text(setup.title));
  if (setup.working_distance_mm) {
    fmt::format_to(out, "working_distance_mm = {}\n", number(*setup.working_distance_mm));
  }
  fmt::format_to(out, "\n[body]\ntext = {}\nwidth_px = {}\nheight_px = {}\npixel_pitch_um = {}\n",
                 toml_text(setup.body_text), setup.width_px, setup.height_px,
                 number(setup.pixel_pitch_um));
  const bool objective = setup.kind == LensKind::objective;
  fmt::format_to(out, "\n[lens]\nkind = \"{}\"\ntext = {}\n",
                 objective ? "objective" : "photographic", toml_text(setup.lens_text));
  if (!setup.lens_serial.empty()) {
    fmt::format_to(out, "serial = {}\n", toml_text(setup.lens_serial));
  }
  fmt::format_to(out, "magnification = {}\nfocal_length_mm = {}\n", number(setup.magnification),
                 number(setup.focal_length_mm));
  if (objective) {
    fmt::format_to(out, "numerical_aperture = {}\ntube_focal_length_mm = {}\n",
                   number(setup.numerical_aperture), number(setup.tube_focal_length_mm));
  }
  if (setup.f_number > 0) fmt::format_to(out, "f_number = {}\n", number(setup.f_number));
  if (setup.extension_mm > 0) {
    fmt::format_to(out, "extension_mm = {}\n", number(setup.extension_mm));
  }
  if (setup.converter != 1.0) fmt::format_to(out, "converter = {}\n", number(setup.converter));
  fmt::format_to(out, "pupil_magnification = {}\n", number(setup.pupil_magnification));
  constexpr std::array kReferences{"first", "middle", "last"};
  fmt::format_to(out, "\n[fusion]\nmoves = \"{}\"\nrescaled = {}\nreference = \"{}\"\n",
                 setup.moves == FocusMotion::rail ? "rail" : "lens", setup.rescaled,
                 kReferences.at(static_cast<std::size_t>(setup.reference)));
  return text;
}

}  // namespace trunnion::plan

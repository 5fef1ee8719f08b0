#include "stages/plan/plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <iterator>

#include "core/angle.h"
#include "core/cautions.h"

namespace trunnion::plan {
namespace {

std::string duration_text(double seconds) {
  if (seconds < 90) return fmt::format("{:.0f} s", seconds);
  if (seconds < 5400) return fmt::format("{:.0f} min", seconds / 60);
  if (seconds < 72 * 3600.0) return fmt::format("{:.1f} h", seconds / 3600);
  return fmt::format("{:.0f} days", seconds / 86400);
}

std::string length(double mm) {
  return mm < 0.1 ? fmt::format("{:.3g} um", mm * 1000) : fmt::format("{:.3g} mm", mm);
}

std::string size_of(double gb) {
  if (gb < 1) return fmt::format("{:.0f} MB", gb * 1000);
  return gb < 1000 ? fmt::format("{:.3g} GB", gb) : fmt::format("{:.3g} TB", gb / 1000);
}

std::string aperture(const PlanOption& o) {
  return o.objective ? fmt::format("NA {:.2g}", o.numerical_aperture)
                     : fmt::format("f/{:g}", o.f_number);
}

// Broken between words, at 79 columns: cautions are sentences, and are read where they fold well.
std::string folded(std::string_view words, std::string_view indent) {
  constexpr std::size_t kLineWidth = 79;
  std::string text;
  std::size_t column = 0;
  while (!words.empty()) {
    const std::size_t length = std::min(words.find(' '), words.size());
    if (column > 0 && column + 1 + length > kLineWidth) {
      text += fmt::format("\n{}", indent);
      column = indent.size();
    } else if (column > 0) {
      text += ' ';
      ++column;
    }
    text += words.substr(0, length);
    column += length;
    words.remove_prefix(std::min(length + 1, words.size()));
  }
  return text + "\n";
}

void add_cautions(std::string& text) {
  text += folded(cautions_rule(), "");
  for (const Caution& caution : cautions()) {
    text += folded(fmt::format("- {}: {}", caution.subject, caution.text), "  ");
  }
  text += "docs/safety.md says more.\n\n";
}

void add_chosen(std::string& text, const CapturePlan& plan) {
  const PlanOption& c = plan.chosen;
  auto out = std::back_inserter(text);
  fmt::format_to(out, "{}: {} x {} x {} mm, finest detail {:g} um\n\n", plan.title, plan.height_mm,
                 plan.width_mm, plan.depth_mm, plan.detail_um);
  text += plan.possible ? "Setup with the fewest frames\n"
          : plan.chosen.fits
              ? fmt::format("Not possible at the detail requested; planned for {:.3g} um with\n",
                            plan.planned_detail_um)
              : "Not possible in one view; the nearest setup is\n";
  fmt::format_to(out, "  setup           {} ({})\n", c.setup, c.title);
  fmt::format_to(out, "  magnification   {:.3g}, {}, working f/{:.3g}, NA {:.3g}\n",
                 c.magnification, aperture(c), c.working_f_number, c.numerical_aperture);
  fmt::format_to(out, "  field of view   {:.3g} x {:.3g} mm, camera in {} format{}\n",
                 c.field_width_mm, c.field_height_mm, c.portrait ? "portrait" : "landscape",
                 c.turned ? ", camera rotated 90 degrees from the setup file" : "");
  fmt::format_to(out,
                 "  detail          {:.3g} um expected, {:.3g} um by diffraction, pixel {:.3g} um "
                 "({:.2g} pixels per resolved element)\n",
                 c.resolution_um, c.diffraction_um, c.pixel_um, c.pixels_per_element);
  fmt::format_to(out, "  depth of field  {} total, focus step {}\n", length(c.depth_of_field_mm),
                 length(c.step_mm));
  for (const PlannedRing& ring : plan.rings) {
    const auto [least, most] =
        std::minmax_element(ring.stations.begin(), ring.stations.end(),
                            [](const auto& a, const auto& b) { return a.slices < b.slices; });
    const std::string slices = least->slices == most->slices
                                   ? fmt::format("{}", most->slices)
                                   : fmt::format("{} to {}", least->slices, most->slices);
    fmt::format_to(
        out, "  {:<15} {} stations every {:.4g} deg at {:.3g} deg elevation, {} slices\n",
        ring.name, ring.stations.size(), degrees(ring.step), degrees(ring.elevation), slices);
  }
  fmt::format_to(out, "  total           {:.0f} frames at {} stations, {}, {} raw, {} fused\n",
                 plan.frames, plan.station_count, duration_text(c.seconds), size_of(c.raw_gb),
                 size_of(c.fused_gb));
}

void add_table(std::string& text, const CapturePlan& plan, std::size_t rows) {
  auto out = std::back_inserter(text);
  std::size_t shown = rows == 0 ? plan.options.size() : std::min(rows, plan.options.size());
  std::size_t wide = 5;
  for (std::size_t i = 0; i < shown; ++i) wide = std::max(wide, plan.options[i].setup.size());
  fmt::format_to(out, "\n{:<{}} {:>6} {:>8} {:>10} {:>9} {:>9} {:>9} {:>9}  {}\n", "setup", wide,
                 "magn.", "aperture", "detail um", "step", "frames", "time", "raw", "suitable");
  for (std::size_t i = 0; i < shown; ++i) {
    const PlanOption& o = plan.options[i];
    fmt::format_to(out, "{:<{}} {:>6.3g} {:>8} {:>10.3g} {:>9} {:>9.0f} {:>9} {:>9}  {}\n", o.setup,
                   wide, o.magnification, aperture(o), o.resolution_um, length(o.step_mm), o.frames,
                   duration_text(o.seconds), size_of(o.raw_gb),
                   o.fits && o.resolves ? "yes" : "no: " + o.reason);
  }
  if (shown < plan.options.size()) {
    fmt::format_to(out, "{} more setups: --all or --json shows them.\n",
                   plan.options.size() - shown);
  }
}

}  // namespace

std::string what_if_text(const std::vector<PlanOption>& rows, const CapturePlan& plan) {
  std::string text = fmt::format(
      "\nWhat if ({}, {:.3g} um wanted)\n{:>10} {:>10} {:>9} {:>9} {:>9}\n", plan.chosen.setup,
      plan.planned_detail_um, "aperture", "detail um", "step", "frames", "time");
  for (const PlanOption& o : rows) {
    const bool chosen = o.f_number == plan.chosen.f_number;
    text += fmt::format("{:>10} {:>10.3g} {:>9} {:>9.0f} {:>9}{}\n", aperture(o), o.resolution_um,
                        length(o.step_mm), o.frames, duration_text(o.seconds),
                        chosen       ? "  as planned"
                        : o.resolves ? ""
                                     : "  does not resolve it");
  }
  return text;
}

std::string plan_text(const CapturePlan& plan, std::size_t rows) {
  std::string text;
  add_cautions(text);
  add_chosen(text, plan);
  if (plan.options.size() > 1) add_table(text, plan, rows);
  text += "\n";
  for (const Finding& finding : plan.advice) {
    text += fmt::format("{}: {}\n  {}\n", name_of(finding.severity), finding.what, finding.remedy);
  }
  return text;
}

}  // namespace trunnion::plan

#include "pipeline/plan_outputs.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <iomanip>
#include <sstream>

#include "config/settings.h"
#include "config/share.h"
#include "config/toml_writer.h"
#include "core/date.h"
#include "core/error.h"
#include "core/files.h"
#include "stages/shot_list/shot_list.h"

namespace trunnion {
namespace {

std::optional<std::time_t> wall_clock(const std::string& text) {
  std::tm parts{};
  std::istringstream in(text);
  in >> std::get_time(&parts, "%Y-%m-%dT%H:%M");
  if (in.fail() || in.peek() != std::char_traits<char>::eof()) return std::nullopt;
  const std::time_t time = timegm(&parts);
  // What does not come back, as 31 February, is no date.
  if (iso_date(time).substr(0, 16) != text) return std::nullopt;
  return time;
}

std::string checked_name(const std::string& name) {
  if (name.empty() || name.find('/') != std::string::npos || name == "." || name == "..") {
    throw usage_error("--motion takes a file name without a folder; it is written to --output.");
  }
  return name;
}

// The chosen setup's file as specimen.toml names it. A setup is valid for one aperture and one
// orientation: where the plan takes others than the file states, or a preset, a setup file of its
// own is written beside the workspace.
std::string setup_reference(const PlanOptions& options, const CapturePlan& plan,
                            const PlanCandidate& chosen, std::vector<PlanOutput>& outputs) {
  const fs::path workspace = fs::absolute(options.output).lexically_normal();
  const bool as_filed = !plan.chosen.turned &&
                        (plan.chosen.objective || chosen.setup.f_number == plan.chosen.f_number);
  if (!chosen.file.empty() && as_filed) {
    return fs::absolute(chosen.file)
        .lexically_normal()
        .lexically_relative(workspace)
        .generic_string();
  }
  const Setup setup = plan::setup_as_planned(chosen.setup, plan.chosen);
  const fs::path relative = fs::path("..") / "setups" / (setup.name + ".toml");
  outputs.push_back({(workspace / relative).lexically_normal(), setup_toml(setup), true});
  return relative.generic_string();
}

}  // namespace

CLI::Validator start_time_check() {
  return {[](std::string& text) {
            return wall_clock(text) ? std::string()
                                    : "give date and time as 2026-12-31T09:30, not " + text;
          },
          "TIME"};
}

std::time_t begin_of(const PlanOptions& options) {
  if (!options.start.empty()) return wall_clock(options.start).value_or(0);
  if (const auto fixed = source_date()) return *fixed;
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  localtime_r(&now, &local);
  return timegm(&local);
}

std::vector<PlanOutput> plan_outputs(const PlanOptions& options, const CapturePlan& plan,
                                     const PlanCandidate& chosen) {
  std::vector<PlanOutput> outputs;
  const std::string chart =
      plan::plan_chart_svg(plan, options.wish, chosen.setup, options.settings);
  if (!options.chart.empty()) outputs.push_back({options.chart, chart});
  if (options.output.empty()) return outputs;
  const fs::path workspace = options.output;
  const std::string reference = setup_reference(options, plan, chosen, outputs);
  constexpr std::array kBackdrops{"auto", "black", "white", "grey", "colour"};
  const auto backdrop = std::find(kBackdrops.begin(), kBackdrops.end(), options.backdrop);
  const std::string specimen = plan::specimen_toml(
      plan, reference, static_cast<BackdropKind>(backdrop - kBackdrops.begin()));
  parse_specimen(specimen, workspace / "specimen.toml");  // what we write must be readable
  outputs.push_back({workspace / "specimen.toml", specimen});
  outputs.push_back(
      {workspace / "shot-list.csv", shot_list::shot_list_csv(plan.rings, plan.chosen.step_mm)});
  const CaptureTimes times = plan::times_of(options.settings);
  const fs::path templates = share_folder() / "templates";
  outputs.push_back({workspace / "motion.csv", shot_list::motion_csv(plan, times)});
  outputs.push_back({workspace / checked_name(options.motion),
                     shot_list::motion_program(plan, times,
                                               options.motion_template.empty()
                                                   ? templates / "motion.mustache"
                                                   : fs::path(options.motion_template))});
  std::optional<std::time_t> start;
  if (!options.start.empty()) start = begin_of(options);
  outputs.push_back(
      {workspace / "rig-sheet.html",
       shot_list::rig_sheet_html(plan, times, start, templates / "rig-sheet.mustache")});
  outputs.push_back({workspace / "plan.json", plan_to_json(plan)});
  outputs.push_back({workspace / "plan.svg", chart});
  return outputs;
}

void write_plan_outputs(std::vector<PlanOutput>& outputs, bool force) {
  std::erase_if(outputs, [](const PlanOutput& output) {
    return output.shared && fs::exists(output.file) && read_file(output.file) == output.content;
  });
  for (const PlanOutput& output : outputs) {
    if (!force && fs::exists(fs::symlink_status(output.file))) {
      throw data_error(fmt::format(
          "{} already exists; nothing was written. Choose another --output or add --force.",
          output.file.string()));
    }
  }
  for (const PlanOutput& output : outputs) write_file(output.file, output.content);
}

}  // namespace trunnion

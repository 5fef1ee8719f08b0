// The files that a plan becomes: workspace, sheets and tables of moves, chart.
#pragma once

#include <CLI/CLI.hpp>
#include <ctime>
#include <filesystem>
#include <string>
#include <vector>

#include "config/capture_plan.h"
#include "config/setup.h"
#include "core/files.h"
#include "stages/plan/plan.h"

namespace trunnion {

struct PlanOptions {
  std::vector<std::string> setups;
  std::vector<std::string> presets;
  plan::PlanWish wish;
  std::string surface = "unknown";
  std::string backdrop = "auto";
  plan::PlanSettings settings;
  std::string orientation = "as-needed";
  double front_diameter_mm = 0;
  double free_distance_mm = 0;
  std::string output;
  std::string chart;
  std::string start;  // of the capture, by the clock on the wall: 2026-12-31T09:30
  std::string motion_template;
  std::string motion = "motion.nc";
  bool force = false;
  bool all = false;
  bool list_presets = false;
};

struct PlanCandidate {
  Setup setup;
  fs::path file;  // empty: a preset
};

struct PlanOutput {
  fs::path file;
  std::string content;
  bool shared = false;  // may exist already where its content is the same
};

// A date and time of the clock on the wall, 2026-12-31T09:30, as CLI11 checks it.
CLI::Validator start_time_check();

// --start, or now by the local clock (SOURCE_DATE_EPOCH stands in for it), as s since 1970-01-01 of
// that clock.
std::time_t begin_of(const PlanOptions& options);

std::vector<PlanOutput> plan_outputs(const PlanOptions& options, const CapturePlan& plan,
                                     const PlanCandidate& chosen);

// All or none: nothing is written where one file stands in the way. Those that exist already and
// may are taken out of the list.
void write_plan_outputs(std::vector<PlanOutput>& outputs, bool force);

}  // namespace trunnion

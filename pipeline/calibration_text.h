// Results of calibrations as text for people and JSON for programs.
#pragma once

#include <CLI/CLI.hpp>
#include <nlohmann/json.hpp>
#include <string>

#include "pipeline/command_line.h"
#include "stages/calibrate_axis/calibrate_axis.h"
#include "stages/calibrate_lens/calibrate_lens.h"

namespace trunnion {

std::string lens_text(const calibrate_lens::LensResult& result);
nlohmann::ordered_json lens_json(const calibrate_lens::LensResult& result);

std::string axis_text(const calibrate_axis::AxisResult& result);
nlohmann::ordered_json axis_json(const calibrate_axis::AxisResult& result,
                                 const calibrate_axis::AxisRequest& request);

// --compare FILE.
void add_compare_option(CLI::App& command, std::string& before);

// Compares `now` with the record in the file `before`; adds to text and JSON of a command. Nothing
// where `before` is empty.
void add_comparison(const std::string& before, const CalibrationRecord& now,
                    CommandResult& command);

}  // namespace trunnion

// trunnion calibrate axis SETUP --images GLOB --angles ...: the rotation axis of a setup from
// images of a board fixed on the stage at known stage angles.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <optional>

#include "config/calibration_record.h"
#include "config/setup.h"
#include "core/angle.h"
#include "core/date.h"
#include "core/error.h"
#include "core/files.h"
#include "core/finding_text.h"
#include "pipeline/board_choice.h"
#include "pipeline/calibration_text.h"
#include "pipeline/command_line.h"
#include "pipeline/stage_boards.h"
#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

struct AxisCommand {
  std::string setup;
  std::vector<std::string> images;
  BoardChoice board;
  StageOptions stage;
  std::string compare;
};

// The camera of the record, or nominal geometry with a doubt.
calibrate_axis::AxisRequest request_of(const Setup& setup, const CalibrationRecord& record,
                                       Findings& findings) {
  calibrate_axis::AxisRequest request;
  if (record.lens) {
    request.camera = record.lens->camera;
    request.camera_covariance = record.lens->covariance;
    return request;
  }
  Setup measured = setup;
  if (record.scale) measured.measured_magnification = measured_magnification(record);
  request.camera = measured.nominal_camera();
  findings.push_back(
      {Severity::doubt, "calibrate axis", "",
       "The lens is not calibrated; the axis was computed with nominal interior orientation.",
       "Run trunnion calibrate lens first, then calibrate the axis again."});
  return request;
}

Provenance provenance_of(const std::vector<BoardFile>& files,
                         const calibrate_axis::AxisResult& result) {
  Provenance provenance;
  provenance.date = iso_date_of_run();
  provenance.tool_version = TRUNNION_VERSION;
  for (const BoardFile& file : files) {
    provenance.images.push_back(file.file.filename().string());
    provenance.image_hashes.push_back(file.hash);
  }
  for (const Finding& finding : result.findings) provenance.notes.push_back(finding.what);
  return provenance;
}

CommandResult calibrate_axis_command(const AxisCommand& options, const Common& common) {
  const Setup setup = read_setup(options.setup);
  const fs::path record_file = record_path(options.setup);
  CalibrationRecord record = record_for(setup);
  if (fs::exists(record_file)) {
    const CalibrationRecord before = read_record(record_file);
    // Another reference slice is what --reference-mm is for: the axis is found again.
    if (const auto differing = mismatches(before, setup, true); !differing.empty()) {
      throw data_error(fmt::format("{}: {}; calibrate the lens of this setup again.",
                                   record_file.string(), differing.front()));
    }
    record = before;
  }
  const BoardPattern pattern = pattern_of(options.board);
  const std::vector<fs::path> files = expand_files(options.images);
  const std::vector<StageImage> given = stage_images(files, options.stage);
  const std::vector<BoardFile> boards = find_boards(files, pattern, common.jobs);
  Findings findings = check_counts(boards, pattern);
  calibrate_axis::AxisRequest request = request_of(setup, record, findings);
  request.pattern = pattern;
  add_sightings(boards, given, options.stage, request, findings);
  calibrate_axis::AxisOptions axis_options;
  axis_options.sigma_angle = radians(options.stage.sigma_angle_deg);
  calibrate_axis::AxisResult result = calibrate_axis::calibrate_axis(request, axis_options);
  result.findings.insert(result.findings.begin(), findings.begin(), findings.end());
  result.calibration.reference_mm = options.stage.reference_mm.value_or(0.0);
  if (result.accepted) result.calibration.provenance = provenance_of(boards, result);
  if (result.accepted && record.axis) {
    const auto kept = calibrate_axis::with_kept_rings(*record.axis, result.calibration);
    if (!kept.names.empty() && record.reference != setup.reference && !options.stage.reference_mm) {
      throw data_error(
          fmt::format("{}: the rings kept ({}) were calibrated with another reference slice; give "
                      "--reference-mm, the rail position of the reference slice of these boards, "
                      "or calibrate all rings.",
                      record_file.string(), fmt::join(kept.names, ", ")));
    }
    result.calibration = kept.calibration;
    result.findings.insert(result.findings.end(), kept.findings.begin(), kept.findings.end());
  }
  CommandResult command;
  command.json = axis_json(result, request);
  command.json["findings"] = findings_json(result.findings, FindingStage::left_out);
  command.text = axis_text(result);
  if (!result.accepted) return without_calibration(std::move(command), result.findings);
  record.axis = result.calibration;
  record.reference = setup.reference;
  add_comparison(options.compare, record, command);
  write_record(record_file, record);
  command.json["record"] = record_file.string();
  command.text += "written: " + record_file.string() + "\n";
  return command;
}

}  // namespace

void add_calibrate_axis(CLI::App& parent) {
  auto options = std::make_shared<AxisCommand>();
  CLI::App* command = add_command(
      parent, "axis", "Calibrate the rotation axis from images of a board on the stage",
      [options](const Common& common) { return calibrate_axis_command(*options, common); });
  command->add_option("SETUP", options->setup, "The setup's file, setups/NAME.toml")->required();
  command
      ->add_option("--images", options->images,
                   "Images of the board; patterns in quotes are allowed")
      ->required();
  add_board_options(*command, options->board);
  add_stage_options(*command, options->stage);
  add_compare_option(*command, options->compare);
}

}  // namespace trunnion

// trunnion calibrate joint SETUP --images GLOB --angles ...: lens and rotation axis in one
// adjustment from images of a board on the stage, at several tilts and angles.
#include <fmt/format.h>

#include <algorithm>
#include <memory>

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

namespace trunnion {
namespace {

struct JointCommand {
  std::string setup;
  std::vector<std::string> images;
  std::vector<std::string> lens_images;
  BoardChoice board;
  StageOptions stage;
  std::string compare;
};

struct JointResult {
  calibrate_lens::LensResult lens;
  calibrate_axis::AxisRequest request;
  calibrate_axis::AxisResult axis;
  Findings findings;
};

// The boards on the stage come first, then those held freely.
JointResult calibrate(const std::vector<BoardFile>& boards, const std::vector<StageImage>& stage,
                      const JointCommand& options, const Setup& setup,
                      const BoardPattern& pattern) {
  JointResult result;
  calibrate_lens::LensOptions lens_options;
  lens_options.pattern = pattern;
  std::vector<calibrate_lens::BoardImage> images;
  for (const BoardFile& file : boards) {
    images.push_back({file.file.filename().string(), file.width_px, file.height_px, file.view});
  }
  result.lens = calibrate_lens::calibrate_lens(images, setup, lens_options);
  result.findings = result.lens.findings;
  if (!result.lens.accepted) return result;
  calibrate_axis::AxisRequest& request = result.request;
  request.camera = result.lens.calibration.camera;
  request.camera_covariance = result.lens.calibration.covariance;
  request.pattern = pattern;
  std::vector<char> on_stage(boards.size(), 0);
  std::fill_n(on_stage.begin(), stage.size(), static_cast<char>(1));
  const auto belief = calibrate_lens::belief_without(result.lens, on_stage);
  request.joint = calibrate_axis::CameraKnowledge{belief.camera, belief.covariance};
  // Corners that contradict the lens are left out of both.
  std::vector<BoardFile> seen(boards.begin(),
                              boards.begin() + static_cast<std::ptrdiff_t>(stage.size()));
  for (std::size_t v = 0; v < seen.size(); ++v) {
    const std::vector<char>& used = result.lens.images[v].corner_used;
    std::vector<BoardCorner> kept;
    for (std::size_t i = 0; i < used.size(); ++i) {
      if (used[i] != 0) kept.push_back(seen[v].view.corners[i]);
    }
    if (result.lens.images[v].used) seen[v].view.corners = std::move(kept);
  }
  add_sightings(seen, stage, options.stage, request, result.findings);
  result.axis = calibrate_axis::calibrate_axis(
      request, {.sigma_angle = radians(options.stage.sigma_angle_deg)});
  result.findings.insert(result.findings.end(), result.axis.findings.begin(),
                         result.axis.findings.end());
  return result;
}

Provenance provenance_of(const std::vector<const BoardFile*>& files, const Findings& findings) {
  Provenance provenance;
  provenance.date = iso_date_of_run();
  provenance.tool_version = TRUNNION_VERSION;
  for (const BoardFile* file : files) {
    provenance.images.push_back(file->file.filename().string());
    provenance.image_hashes.push_back(file->hash);
  }
  provenance.notes.emplace_back("Lens and rotation axis were calibrated in one adjustment.");
  for (const Finding& finding : findings) {
    provenance.notes.push_back((finding.file.empty() ? "" : finding.file + ": ") + finding.what);
  }
  return provenance;
}

// Writes into the results which images served what, and the camera found with the axis.
void finish(const std::vector<BoardFile>& boards, std::size_t on_stage, const JointCommand& options,
            JointResult& result) {
  LensCalibration& lens = result.lens.calibration;
  lens.camera = result.axis.camera->camera;
  lens.covariance = result.axis.camera->covariance;
  std::vector<const BoardFile*> for_lens;
  std::vector<const BoardFile*> for_axis;
  for (std::size_t v = 0; v < boards.size(); ++v) {
    const std::string name = boards[v].file.filename().string();
    const bool in_axis =
        v < on_stage && std::any_of(result.axis.stations.begin(), result.axis.stations.end(),
                                    [&](const auto& station) { return station.name == name; });
    if (in_axis) for_axis.push_back(&boards[v]);
    if (in_axis || (v >= on_stage && result.lens.images[v].used)) for_lens.push_back(&boards[v]);
  }
  lens.images_used = static_cast<int>(for_lens.size());
  lens.provenance = provenance_of(for_lens, result.lens.findings);
  result.axis.calibration.provenance = provenance_of(for_axis, result.axis.findings);
  result.axis.calibration.reference_mm = options.stage.reference_mm.value_or(0.0);
}

CommandResult calibrate_joint_command(const JointCommand& options, const Common& common) {
  const Setup setup = read_setup(options.setup);
  const BoardPattern pattern = pattern_of(options.board);
  std::vector<fs::path> files = expand_files(options.images);
  const std::vector<StageImage> stage = stage_images(files, options.stage);
  if (!options.lens_images.empty()) {
    for (const fs::path& file : expand_files(options.lens_images)) {
      if (std::find(files.begin(), files.end(), file) == files.end()) files.push_back(file);
    }
  }
  const std::vector<BoardFile> boards = find_boards(files, pattern, common.jobs);
  const Findings counts = check_counts(boards, pattern);
  JointResult result = calibrate(boards, stage, options, setup, pattern);
  result.findings.insert(result.findings.begin(), counts.begin(), counts.end());
  CommandResult command;
  const bool accepted = result.lens.accepted && result.axis.accepted;
  if (accepted) finish(boards, stage.size(), options, result);
  command.json["accepted"] = accepted;
  command.json["lens"] = lens_json(result.lens);
  command.json["axis"] = axis_json(result.axis, result.request);
  command.json["findings"] = findings_json(result.findings, FindingStage::left_out);
  result.lens.findings.clear();
  result.axis.findings.clear();
  if (result.lens.accepted) command.text = lens_text(result.lens) + axis_text(result.axis);
  command.text += findings_text(result.findings);
  if (!accepted) return without_calibration(std::move(command), result.findings);
  const fs::path file = record_path(options.setup);
  CalibrationRecord record = record_for(setup);
  if (fs::exists(file)) {
    const CalibrationRecord before = read_record(file);
    if (mismatches(before, setup).empty()) record.scale = before.scale;
  }
  record.lens = result.lens.calibration;
  record.axis = result.axis.calibration;
  add_comparison(options.compare, record, command);
  write_record(file, record);
  fs::path page = file;
  page.replace_extension(".html");
  write_file(page, calibrate_lens::report_page(result.lens, setup));
  command.json["record"] = file.string();
  command.json["report"] = page.string();
  command.text += "written: " + file.string() + "\nreport:  " + page.string() + "\n";
  return command;
}

}  // namespace

void add_calibrate_joint(CLI::App& parent) {
  auto options = std::make_shared<JointCommand>();
  CLI::App* command = add_command(
      parent, "joint", "Calibrate lens and rotation axis in one call from a board on the stage",
      [options](const Common& common) { return calibrate_joint_command(*options, common); });
  command->add_option("SETUP", options->setup, "The setup's file, setups/NAME.toml")->required();
  command
      ->add_option("--images", options->images,
                   "Images of the board on the stage; patterns in quotes are allowed")
      ->required();
  command->add_option("--lens-images", options->lens_images,
                      "Further images of the same board held freely, for the lens alone");
  add_board_options(*command, options->board);
  add_stage_options(*command, options->stage);
  add_compare_option(*command, options->compare);
}

}  // namespace trunnion

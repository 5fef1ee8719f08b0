// trunnion calibrate lens SETUP --images GLOB: the lens calibration of one setup from fused images
// of a board. With --micrometer instead of --images: the scale alone.
#include <fmt/format.h>

#include <memory>

#include "config/calibration_record.h"
#include "config/setup.h"
#include "core/date.h"
#include "core/error.h"
#include "core/files.h"
#include "core/finding_text.h"
#include "core/hash.h"
#include "core/image_io.h"
#include "pipeline/board_choice.h"
#include "pipeline/calibration_text.h"
#include "pipeline/command_line.h"
#include "stages/calibrate_lens/calibrate_lens.h"
#include "stages/measure_scale/measure_scale.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

struct LensCommand {
  std::string setup;
  std::vector<std::string> images;
  BoardChoice board;
  std::string compare;
  std::string micrometer;
  double division_mm = 0;
};

Provenance provenance_of(const std::vector<BoardFile>& files,
                         const calibrate_lens::LensResult& result) {
  Provenance provenance;
  provenance.date = iso_date_of_run();
  provenance.tool_version = TRUNNION_VERSION;
  for (std::size_t i = 0; i < files.size(); ++i) {
    if (!result.images[i].used) continue;
    provenance.images.push_back(files[i].file.filename().string());
    provenance.image_hashes.push_back(files[i].hash);
  }
  for (const Finding& finding : result.findings) {
    provenance.notes.push_back((finding.file.empty() ? "" : finding.file + ": ") + finding.what);
  }
  return provenance;
}

// Boards and micrometer measure the same scale; where they do not agree, one of them is not what it
// is taken for.
std::string scale_contradiction(const CalibrationRecord& record) {
  if (!record.lens || !record.scale || !(record.lens->magnification > 0)) return {};
  const double ratio = record.lens->magnification / measured_magnification(record);
  const double sigma = std::hypot(record.lens->magnification_sigma / record.lens->magnification,
                                  record.scale->mm_per_px_sigma / record.scale->mm_per_px);
  if (std::abs(ratio - 1.0) < 0.01 + 3.0 * sigma) return {};
  return fmt::format("The boards' scale differs from the stage micrometer's by {:+.1f} %.",
                     100.0 * (ratio - 1.0));
}

// The scale alone, from a stage micrometer, kept in the record.
CommandResult run_micrometer(const LensCommand& options, const Setup& setup) {
  if (!(options.division_mm > 0)) {
    throw usage_error("--micrometer needs --division, the distance between its graduations in mm.");
  }
  const cv::Mat image = read_image(options.micrometer);
  if (image.cols != setup.width_px || image.rows != setup.height_px) {
    throw data_error(fmt::format(
        "{} is {} x {} px, the setup's images are {} x {} px; use the setup that it was shot with.",
        options.micrometer, image.cols, image.rows, setup.width_px, setup.height_px));
  }
  const measure_scale::ScaleMeasurement scale =
      measure_scale::measure_scale(image, {.division_mm = options.division_mm});
  if (!scale.found) {
    throw data_error(fmt::format("{}: {}; place the graduations across the image, in focus.",
                                 options.micrometer, scale.reason));
  }
  const double magnification = setup.pixel_pitch_um * 1e-3 / scale.mm_per_px;
  const double sigma = magnification * scale.mm_per_px_sigma / scale.mm_per_px;
  CommandResult result;
  result.json = {{"mm_per_px", scale.mm_per_px},
                 {"mm_per_px_sigma", scale.mm_per_px_sigma},
                 {"magnification", magnification},
                 {"magnification_sigma", sigma},
                 {"magnification_setup", setup.lateral_magnification()},
                 {"rulings", scale.rulings},
                 {"rms_px", scale.rms_px}};
  result.text = fmt::format(
      "{} graduations, rms {:.3f} px\nscale {:.7f} +- {:.7f} mm/px, magnification {:.4f} (setup: "
      "{:.4g}, {:+.1f} %)\n",
      scale.rulings, scale.rms_px, scale.mm_per_px, scale.mm_per_px_sigma, magnification,
      setup.lateral_magnification(), 100.0 * (magnification / setup.lateral_magnification() - 1.0));
  const std::filesystem::path file = record_path(options.setup);
  CalibrationRecord record = record_for(setup);
  if (std::filesystem::exists(file)) {
    record = read_record(file);
    const auto differing = mismatches(record, setup);
    if (!differing.empty()) {
      throw data_error(fmt::format("{}: {}; calibrate the setup again, or remove the record.",
                                   file.string(), differing[0]));
    }
  }
  record.scale = {scale.mm_per_px,
                  scale.mm_per_px_sigma,
                  scale.rulings,
                  {iso_date_of_run(),
                   TRUNNION_VERSION,
                   {std::filesystem::path(options.micrometer).filename().string()},
                   {hash_file(options.micrometer)},
                   {}}};
  write_record(file, record);
  result.json["record"] = file.string();
  if (const std::string doubt = scale_contradiction(record); !doubt.empty()) {
    result.text += "doubt: " + doubt +
                   " Measure the squares and the graduations, and check that both were in focus.\n";
    result.json["contradiction"] = doubt;
  }
  result.text += "written: " + file.string() + "\n";
  return result;
}

CommandResult calibrate_lens_command(const LensCommand& options, const Common& common) {
  const Setup setup = read_setup(options.setup);
  if (!options.micrometer.empty()) return run_micrometer(options, setup);
  calibrate_lens::LensOptions lens_options;
  if (options.images.empty()) {
    throw usage_error("--images is missing; give the fused images of the board.");
  }
  lens_options.pattern = pattern_of(options.board);
  const std::vector<BoardFile> files =
      find_boards(expand_files(options.images), lens_options.pattern, common.jobs);
  const Findings counts = check_counts(files, lens_options.pattern);
  std::vector<calibrate_lens::BoardImage> boards;
  for (const BoardFile& file : files) {
    boards.push_back({file.file.filename().string(), file.width_px, file.height_px, file.view});
  }
  calibrate_lens::LensResult result = calibrate_lens::calibrate_lens(boards, setup, lens_options);
  result.findings.insert(result.findings.begin(), counts.begin(), counts.end());
  CommandResult command;
  if (!result.accepted) {
    command.json = lens_json(result);
    command.text = findings_text(result.findings);
    return without_calibration(std::move(command), result.findings);
  }
  result.calibration.provenance = provenance_of(files, result);
  const std::filesystem::path file = record_path(options.setup);
  CalibrationRecord record = record_for(setup);
  if (std::filesystem::exists(file)) {
    const CalibrationRecord before = read_record(file);
    if (mismatches(before, setup).empty()) record.scale = before.scale;
    const bool same_camera = before.lens && before.lens->camera == result.calibration.camera;
    if (mismatches(before, setup).empty() && same_camera) {
      record.axis = before.axis;
    } else if (before.axis) {
      result.findings.push_back(
          {Severity::doubt, "calibrate lens", "",
           "The rotation axis in the record belongs to the former lens calibration; it was "
           "removed.",
           "Run trunnion calibrate axis again with the images of the board on the stage."});
    }
  }
  record.lens = result.calibration;
  if (const std::string doubt = scale_contradiction(record); !doubt.empty()) {
    result.findings.push_back(
        {Severity::doubt, "calibrate lens", "", doubt,
         "Measure the squares and the graduations, and check that both were in focus."});
  }
  command.text = lens_text(result) + findings_text(result.findings);
  command.json = lens_json(result);
  CalibrationRecord compared = record;
  compared.axis.reset();  // not calibrated in this call
  add_comparison(options.compare, compared, command);
  write_record(file, record);
  std::filesystem::path page = file;
  page.replace_extension(".html");
  write_file(page, calibrate_lens::report_page(result, setup));
  command.text += "written: " + file.string() + "\nreport:  " + page.string() + "\n";
  command.json["record"] = file.string();
  command.json["report"] = page.string();
  return command;
}

}  // namespace

void add_calibrate_lens(CLI::App& parent) {
  auto options = std::make_shared<LensCommand>();
  CLI::App* command = add_command(
      parent, "lens", "Calibrate the lens of a setup from fused images of a board",
      [options](const Common& common) { return calibrate_lens_command(*options, common); });
  command->add_option("SETUP", options->setup, "The setup's file, setups/NAME.toml")->required();
  auto* images = command->add_option("--images", options->images,
                                     "Images of the board; patterns in quotes are allowed");
  add_board_options(*command, options->board);
  add_compare_option(*command, options->compare);
  auto* micrometer = command->add_option("--micrometer", options->micrometer,
                                         "Image of a stage micrometer, for the scale alone");
  command->add_option("--division", options->division_mm, "Distance between its graduations, mm")
      ->check(CLI::Range(1e-4, 100.0));
  micrometer->excludes(images);
}

}  // namespace trunnion

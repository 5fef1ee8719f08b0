// trunnion calibrate lens SETUP --images GLOB: the lens calibration of one setup from fused images
// of a checkerboard.
#include <fmt/chrono.h>
#include <fmt/format.h>

#include <cstdlib>
#include <ctime>
#include <memory>

#include "config/calibration_record.h"
#include "config/setup.h"
#include "core/angle.h"
#include "core/error.h"
#include "pipeline/board_images.h"
#include "pipeline/command_line.h"
#include "stages/calibrate_lens.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

struct Options {
  std::string setup;
  std::vector<std::string> images;
  std::string board = "9x6";
  double square_mm = 0;
};

// SOURCE_DATE_EPOCH, where set, makes records repeatable to the byte.
std::string date_now() {
  std::time_t now = std::time(nullptr);
  if (const char* epoch = std::getenv("SOURCE_DATE_EPOCH")) now = std::atoll(epoch);
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(now));
}

Provenance provenance_of(const std::vector<BoardFile>& files, const LensResult& result) {
  Provenance provenance;
  provenance.date = date_now();
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

std::string findings_text(const Findings& findings) {
  std::string text;
  for (const Finding& finding : findings) {
    text +=
        fmt::format("{}: {}{} {}\n", name_of(finding.severity),
                    finding.file.empty() ? "" : finding.file + ": ", finding.what, finding.remedy);
  }
  return text;
}

std::string summary_text(const LensResult& result) {
  const LensCalibration& lens = result.calibration;
  const bool perspective = lens.camera.projection == Projection::perspective;
  const auto sigma = [&lens](int i) { return std::sqrt(lens.covariance(i, i)); };
  std::string text =
      fmt::format("{} images, {} corners, rms {:.3f} px\nmodel: {} ({})\n", lens.images_used,
                  lens.corners_used, lens.rms_px, lens.model, result.why_model);
  const char* unit = perspective ? "px" : "px/mm";
  text += fmt::format("fx {:.4f} +- {:.4f} {}   fy {:.4f} +- {:.4f} {}\n", lens.camera.fx, sigma(0),
                      unit, lens.camera.fy, sigma(1), unit);
  text += fmt::format("cx {:.3f} +- {:.3f} px   cy {:.3f} +- {:.3f} px\n", lens.camera.cx, sigma(2),
                      lens.camera.cy, sigma(3));
  constexpr const char* kNames[] = {"k1", "k2", "p1", "p2", "k3"};
  for (int i = 0; i < 5; ++i) {
    text += fmt::format("{} {:.6g} +- {:.2g}{}", kNames[i],
                        lens.camera.distortion[static_cast<std::size_t>(i)], sigma(4 + i),
                        i < 4 ? "   " : "\n");
  }
  text += fmt::format("scale {:.6f} +- {:.6f} mm/px, magnification {:.4f}\n", result.mm_per_px,
                      result.mm_per_px_sigma, lens.magnification);
  return text;
}

Json to_json(const LensResult& result) {
  Json json;
  json["accepted"] = result.accepted;
  json["model"] = result.calibration.model;
  json["why_model"] = result.why_model;
  json["rms_px"] = result.calibration.rms_px;
  json["images"] = Json::array();
  for (const LensImage& image : result.images) {
    json["images"].push_back({{"file", image.name},
                              {"used", image.used},
                              {"reason", image.reason},
                              {"corners", image.corners},
                              {"corners_rejected", image.corners_rejected},
                              {"rms_px", image.rms_px},
                              {"tilt_deg", degrees(image.tilt)}});
  }
  json["findings"] = Json::array();
  for (const Finding& finding : result.findings) {
    json["findings"].push_back({{"severity", name_of(finding.severity)},
                                {"file", finding.file},
                                {"what", finding.what},
                                {"remedy", finding.remedy}});
  }
  return json;
}

CommandResult run(const Options& options, const Common& common) {
  const Setup setup = read_setup(options.setup);
  LensOptions lens_options;
  lens_options.pattern = parse_board(options.board, options.square_mm);
  const std::vector<BoardFile> files =
      find_boards(expand_files(options.images), lens_options.pattern, common.jobs);
  std::vector<BoardImage> boards;
  for (const BoardFile& file : files) {
    boards.push_back({file.file.filename().string(), file.width_px, file.height_px, file.view});
  }
  LensResult result = calibrate_lens(boards, setup, lens_options);
  CommandResult command;
  command.json = to_json(result);
  command.text = findings_text(result.findings);
  if (!result.accepted) {
    command.text += "No calibration was written.\n";
    command.exit_code = 1;
    return command;
  }
  result.calibration.provenance = provenance_of(files, result);
  const std::filesystem::path file = record_path(options.setup);
  CalibrationRecord record = record_for(setup);
  if (std::filesystem::exists(file)) {
    const CalibrationRecord before = read_record(file);
    if (mismatches(before, setup).empty()) record.axis = before.axis;
  }
  record.lens = result.calibration;
  write_record(file, record);
  command.text = summary_text(result) + command.text + "written: " + file.string() + "\n";
  command.json["record"] = file.string();
  return command;
}

}  // namespace

void add_calibrate_lens(CLI::App& parent) {
  auto options = std::make_shared<Options>();
  CLI::App* command = add_command(
      parent, "lens", "Calibrate the lens of a setup from fused images of a checkerboard",
      [options](const Common& common) { return run(*options, common); });
  command->add_option("SETUP", options->setup, "The setup's file, setups/NAME.toml")->required();
  command->add_option("--images", options->images, "Images of the board; patterns may be quoted")
      ->required();
  command
      ->add_option("--board", options->board,
                   "Inner corners of the board, COLUMNSxROWS; one odd, one even is best")
      ->capture_default_str();
  command->add_option("--square", options->square_mm, "Side of a square, mm")
      ->required()
      ->check(CLI::Range(0.001, 1000.0));
}

}  // namespace trunnion

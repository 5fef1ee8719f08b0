// Images of a board on the stage: the options that say how the stage stood, and the request that
// the axis calibration gets from them.
#pragma once

#include <CLI/CLI.hpp>
#include <optional>
#include <string>
#include <vector>

#include "core/finding.h"
#include "pipeline/board_images.h"
#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion {

struct StageOptions {
  std::string angles;
  double elevation_deg = 0;
  double sigma_angle_deg = 0.05;
  std::string turning = "counter-clockwise";
  std::string carries = "specimen";
  double tilt_azimuth_deg = 90;
  std::optional<double> reference_mm;
};

// --angles, --elevation, --sigma-angle, --turning, --tilt-carries, --tilt-azimuth, --reference-mm.
void add_stage_options(CLI::App& command, StageOptions& options);

// What is given of one image.
struct StageImage {
  std::string ring;
  double angle = 0;                           // rad, signed by the direction of turning
  std::optional<double> tilt = std::nullopt;  // rad
};

// Beside `files`. Throws where the angles do not fit the images.
std::vector<StageImage> stage_images(const std::vector<std::filesystem::path>& files,
                                     const StageOptions& options);

// Fills rings, tilts and sightings; `request.camera` and `request.pattern` are given. Images
// without a board are named in `findings`. Throws where no image shows the board or the sizes
// differ.
void add_sightings(const std::vector<BoardFile>& files, const std::vector<StageImage>& given,
                   const StageOptions& options, calibrate_axis::AxisRequest& request,
                   Findings& findings);

}  // namespace trunnion

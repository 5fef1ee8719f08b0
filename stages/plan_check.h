// Plan check: the set that came back against the plan. Slices are gone once fused; stations,
// angles, exposure, sharpness and coverage can be seen.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "config/capture_plan.h"
#include "core/finding.h"

namespace trunnion {

// How a mask lies in its image.
struct MaskCoverage {
  double fraction = 0;  // of the image that is specimen
  cv::Rect box_px;
  bool touches_left = false;
  bool touches_right = false;
  bool touches_top = false;
  bool touches_bottom = false;  // the mount usually does
};

// `mask`: 8 bit, non-zero on the specimen.
MaskCoverage coverage_of(const cv::Mat& mask);

// One image of the set; what was not measured stays empty.
struct ReturnedImage {
  std::string file;
  std::string ring;
  int station = 0;
  double stage_angle = 0;                // rad, signed
  std::optional<double> exposure_level;  // backdrop level relative to the set's median
  std::optional<double> clipped_high;    // fraction of specimen pixels
  std::optional<double> sharpness;       // units comparable within the set
  std::optional<MaskCoverage> coverage;
};

struct PlanCheckSettings {
  double max_angle_error_deg = 0.5;         // station against its planned angle
  double max_exposure_change_percent = 10;  // fusing and matching suffer from more
  double max_clipped_percent = 1;           // of the specimen
  double min_relative_sharpness = 0.6;      // of the ring's median
  double max_size_excess_percent = 10;      // specimen larger than planned: series too short
};

// `setup` is the name of the setup the set was taken with; empty where unknown.
Findings compare_with_plan(const CapturePlan& plan, const std::string& setup,
                           const std::vector<ReturnedImage>& images,
                           const PlanCheckSettings& settings = {});

}  // namespace trunnion

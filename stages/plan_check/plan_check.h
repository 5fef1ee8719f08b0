// Plan check: the set that came back against the plan. Slices are gone once fused; stations, angles
// and coverage can be seen. Exposure and sharpness need no plan: compare_stations.h.
// Blur bands: blur_bands.h.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "config/capture_plan.h"
#include "core/finding.h"

namespace trunnion::plan_check {

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
  double stage_angle = 0;  // rad, signed
  std::optional<MaskCoverage> coverage;
};

struct PlanCheckSettings {
  double max_angle_error_deg = 0.5;     // station against its planned angle
  double max_size_excess_percent = 10;  // specimen larger than planned: series too short
};

// `setup` is the name of the setup the set was taken with; empty where unknown.
Findings compare_with_plan(const CapturePlan& plan, const std::string& setup,
                           const std::vector<ReturnedImage>& images,
                           const PlanCheckSettings& settings = {});

}  // namespace trunnion::plan_check

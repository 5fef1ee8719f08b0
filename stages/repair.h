// Repair: static defects of the sensor (dust, hot pixels) are interpolated from their surround.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "config/settings.h"
#include "core/survey_result.h"

namespace trunnion {

struct RepairResult {
  int spots_repaired = 0;
  std::size_t pixels_repaired = 0;
};

// Repairs `image` in place (8 or 16 bit, 1, 3 or 4 channels; alpha untouched).
RepairResult repair(cv::Mat& image, const std::vector<Spot>& spots, const RepairSettings& settings);

}  // namespace trunnion

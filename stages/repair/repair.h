// Repair: static defects of the sensor (dust, hot pixels) are taken out of an image.
//
// A speck of dust that lets enough light through is divided out: the value behind it is the value
// seen over the transmission that the survey measured there, which keeps the specimen's texture.
// Where hardly any light comes through, and at hot pixels, the value is interpolated from the
// surround (Laplace's equation: the smoothest surface that meets the rim). Repair is done wherever
// the spot lies; on the backdrop it keeps the mask from taking it for specimen.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "config/settings.h"
#include "core/survey_result.h"

namespace trunnion::repair {

struct RepairResult {
  int spots_repaired = 0;
  std::size_t pixels_repaired = 0;
};

// Whether the settings have this spot repaired.
bool is_repaired(const Spot& spot, const RepairSettings& settings);

// Repairs `image` in place (8 or 16 bit, 1, 3 or 4 channels; alpha untouched).
RepairResult repair(cv::Mat& image, const std::vector<Spot>& spots, const RepairSettings& settings);

}  // namespace trunnion::repair

// Survey: the first look at a whole set, in one streaming pass over stations spread evenly over
// the rings. What does not turn is backdrop; what repeats at the same pixel is dust on the sensor.
#pragma once

#include <cstddef>
#include <functional>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "config/settings.h"
#include "core/finding.h"

namespace trunnion {

// A static defect of the sensor: fixed in the image at every station.
struct Spot {
  double x_px = 0;
  double y_px = 0;
  double diameter_px = 0;
  double contrast = 0;  // signed, relative to its surround; negative is darker
  bool hot_pixel = false;
};

struct Exposure {         // of one surveyed image, on the backdrop and inside the specimen
  std::size_t image = 0;  // index handed to the reader
  double level = 1;       // backdrop level relative to the set's median
  std::array<double, 3> white_balance{1, 1, 1};  // per channel (BGR) relative to the median
  double sharpness = 0;     // inside the specimen, relative units comparable within a set
  double clipped_high = 0;  // fraction of specimen pixels
  double clipped_low = 0;
};

struct SurveyResult {
  double full_scale = 255;   // 255 or 65535
  int scale = 1;             // backdrop is at 1/scale of the image size
  cv::Mat backdrop;          // CV_32FC3, sensor values (BGR), what does not turn
  cv::Mat backdrop_seen;     // CV_8U, 255 where the backdrop was seen at some station, 0 where it
                             // was always hidden and is interpolated
  double noise_at_zero = 0;  // variance = noise_at_zero + noise_per_level * level (sensor values)
  double noise_per_level = 0;
  std::vector<Spot> spots;
  std::vector<Exposure> exposures;  // one a surveyed image
  Findings findings;
};

// Decodes one image of the set, upright, 1, 3 or 4 channels. May throw a data error.
using ImageReader = std::function<cv::Mat(std::size_t)>;

// `images` are the indices to look at (see survey_stations); `empty_stage` is used for the backdrop
// where given. Deterministic; holds one full image at a time besides its accumulators.
SurveyResult survey(const std::vector<std::size_t>& images, const ImageReader& read,
                    const std::optional<cv::Mat>& empty_stage, BackdropKind backdrop,
                    const SurveySettings& settings);

// `wanted` indices spread evenly over `ring_sizes` images, all where there are fewer.
std::vector<std::size_t> survey_stations(const std::vector<std::size_t>& ring_sizes, int wanted);

}  // namespace trunnion

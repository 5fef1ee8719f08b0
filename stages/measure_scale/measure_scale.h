// Measure scale: mm per pixel in the plane of focus from one image of a stage micrometer, a ruled
// scale of equal divisions. Use it if there is no board; it does not measure distortion.
//
// The rulings' direction is that in which the image's gradients are longest on the whole (structure
// tensor; W. Foerstner, E. Guelch 1987); the image is summed along the rulings; each ruling's place
// is the centroid of its profile; places against running numbers give the division by a straight
// line through them, with the sigma of its slope from the residuals.
#pragma once

#include <opencv2/core.hpp>
#include <string>

namespace trunnion::measure_scale {

struct ScaleOptions {
  double division_mm = 0.1;  // distance of neighbouring rulings
  int min_rulings = 5;       // fewer show no residuals worth a sigma
};

struct ScaleMeasurement {
  bool found = false;
  std::string reason;  // where not found
  double mm_per_px = 0;
  double mm_per_px_sigma = 0;
  double division_px = 0;
  double rms_px = 0;     // of the rulings about equal divisions
  double direction = 0;  // rad, across the rulings, in the image
  int rulings = 0;
};

// `image` CV_8U or CV_16U, 1, 3 or 4 channels.
ScaleMeasurement measure_scale(const cv::Mat& image, const ScaleOptions& options);

}  // namespace trunnion::measure_scale

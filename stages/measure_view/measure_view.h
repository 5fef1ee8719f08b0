// Measure view: exposure, sharpness and clipping of one image, while it is in memory anyway.
//
// Exposure. The light that falls on the backdrop does not depend on how the specimen stands: the
// level is the median, over small squares clear of the specimen, of their mean over the survey's
// backdrop at the same place. Squares that are too dark to separate light from the sensor's offset
// are left out; where all are, the median brightness of the specimen has to do
// (compare_stations.h).
//
// Sharpness. Mean square of the horizontal second difference d = 2 b - a - c inside the mask, less
// the share of noise (six times the variance of a pixel), as a root over the mean level:
//   sharpness = sqrt(max(0, mean(d^2) - 6 sigma^2)) / mean
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "core/view_measures.h"

namespace trunnion::measure_view {

// `image`: 8 or 16 bit, 1, 3 or 4 channels, as surveyed (before undistortion). `coverage`: CV_8U
// of the same size, above 127 on the specimen; empty where no mask was made: then only the
// backdrop's level is measured, over all that the survey never saw occupied.
ViewMeasures measure_view(const cv::Mat& image, const cv::Mat& coverage,
                          const SurveyResult& survey);

}  // namespace trunnion::measure_view

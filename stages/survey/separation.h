// The contrast between specimen and backdrop over the set, and the mount that holds the specimen.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "core/survey_result.h"

namespace trunnion::survey {

// What stands still on the axis and enters the specimen from an edge of the image: rows from the
// edge inwards in which hardly more was ever occupied than was at every station. CV_8U.
// `occupied` is SurveyResult::occupied.
cv::Mat find_mount(const cv::Mat& occupied);

// Thresholds from the contrasts; `noise` is the contrast of one pixel's noise.
Separation separate(const std::vector<cv::Mat>& contrasts, double noise);

}  // namespace trunnion::survey

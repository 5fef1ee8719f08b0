// Smooth continuation of what is known of an image over what is not.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion {

// Extends `value` (CV_32FC3) smoothly over the pixels where `known` (CV_8U) is 0, by averaging down
// a pyramid and filling on the way back up.
cv::Mat fill_smoothly(const cv::Mat& value, const cv::Mat& known);

}  // namespace trunnion

// Smooth continuation of what is known of an image over what is not.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion::survey {

// As fill_smoothly (core), over a cubic surface, which light that falls off over the frame follows
// into a gap.
cv::Mat continue_smoothly(const cv::Mat& value, const cv::Mat& known);

}  // namespace trunnion::survey

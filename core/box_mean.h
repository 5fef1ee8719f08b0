// Means over small square windows.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion {

// Mean of `from` (CV_32FC1) over side x side px around each pixel; `side` is odd. `border`:
// cv::BORDER_REFLECT_101, or cv::BORDER_CONSTANT for zeros. As cv::blur, which takes several times
// as long for windows this small. `to` must not share its pixels with `from`.
void box_mean(const cv::Mat& from, cv::Mat& to, int side, int border);

}  // namespace trunnion

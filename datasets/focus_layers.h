// A rendered view cut into layers by depth, for images that are not in focus everywhere.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "datasets/render.h"

namespace trunnion::demo {

// `count` layers of equal depth from the nearest to the farthest point, nearest first: CV_32FC4,
// light premultiplied and the share of light from behind that it stops. `own`: CV_32FC3, the
// specimen's part of the light.
std::vector<cv::Mat> depth_layers(const cv::Mat& own, const RenderedView& view, int count);

// Lays a layer, blurred or not, over what lies behind it (CV_32FC3).
void lay_over(cv::Mat& behind, const cv::Mat& layer);

}  // namespace trunnion::demo

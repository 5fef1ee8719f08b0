// Pockets of backdrop that a mask took in, between legs and hairs: what has the backdrop's colour
// and about its level.
//
// The survey never saw the backdrop there and interpolates it. Pockets on the demo lay within 0.79
// to 1.02 of a dark backdrop's level and within 0.04 of its hue; a bright backdrop is known closer,
// and a grey pin before it lay at 0.75.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion::blur_bands {

// Sets `patches` (CV_8U) to 0 where `image` looks like `backdrop` (CV_32FC3, BGR, full scale 1, any
// size). `patches` lies at `crop` in an image of `size`; `image` (8 or 16 bit, 1, 3 or 4 channels)
// may be a whole number of times larger and is then reduced.
void drop_pockets(cv::Mat& patches, const cv::Mat& image, const cv::Mat& backdrop,
                  const cv::Size& size, const cv::Rect& crop);

}  // namespace trunnion::blur_bands

// Brightness of an image and the inside of a mask at a whole fraction of the size, each in one pass
// over the pixels. An odd rest at the right and lower edge is dropped in both.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion {

// CV_32F, full scale 1: means of blocks of `scale` x `scale` px, in the weights of ITU-R BT.601.
// `image`: 8 or 16 bit, 1, 3 or 4 channels (alpha ignored).
cv::Mat block_brightness(const cv::Mat& image, int scale);

// CV_8U at half size: 255 where all four pixels of `inside` (0 or 255) are.
cv::Mat halved_inside(const cv::Mat& inside);

}  // namespace trunnion

// Images at a whole fraction of their size, each in one pass over the pixels.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion {

// CV_32F, full scale 1: means of blocks of `scale` x `scale` px, in the weights of ITU-R BT.601; an
// odd rest at the right and lower edge is dropped. `image`: 8 or 16 bit, 1, 3 or 4 channels (alpha
// ignored).
cv::Mat block_brightness(const cv::Mat& image, int scale);

// CV_8U at half size, rest dropped as above: 255 where all four pixels of `inside` (0 or 255) are.
cv::Mat halved_inside(const cv::Mat& inside);

// Rounded means of the largest blocks that leave twice the size `wanted` or more; the image itself
// where there are none. Blocks at the right and lower edge may be smaller, which moves what lies
// there by less than half a pixel of the size wanted. For pictures: a resize to the exact size
// comes next and has little left to do.
cv::Mat reduced_towards(const cv::Mat& image, const cv::Size& wanted);

}  // namespace trunnion

// Mean, minimum and maximum of square blocks of an image, in one pass over its pixels. With the
// extremes a search at 1/side of the size misses nothing that a search of all pixels would find.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion {

struct BlockValues {
  int side = 1;   // block (i, j) covers pixels [side i, side i + side); cut at the image's edge
  cv::Mat mean;   // CV_32FC3 (BGR), sensor values; grey images are spread over three channels
  cv::Mat least;  // CV_32FC3
  cv::Mat most;   // CV_32FC3
};

// `image`: 8 or 16 bit, 1, 3 or 4 channels (alpha ignored).
BlockValues block_values(const cv::Mat& image, int side);

// The means alone.
cv::Mat block_means(const cv::Mat& image, int side);

// 255 where a block holds a pixel of `mask` (CV_8U, 0 or 255) that is set, else 0; CV_8U.
cv::Mat any_in_blocks(const cv::Mat& mask, int side);

// Side of the blocks for an image of this size: the coarse image has at most `longest` px.
int block_side(const cv::Size& size, int longest);

}  // namespace trunnion

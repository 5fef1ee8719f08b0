// Connected regions of a mask as runs of pixels: no map of labels, which takes four bytes a pixel
// and more time than the regions of a mostly empty mask do.
//
// L. He, Y. Chao and K. Suzuki, "A run-based two-scan labeling algorithm", IEEE Transactions on
// Image Processing 17(5), 2008.
#pragma once

#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

namespace trunnion {

struct Run {
  int y = 0;
  int begin = 0;
  int end = 0;  // the pixel after the last
  std::size_t region = 0;
};

struct Regions {
  std::vector<Run> runs;   // row by row, left to right
  std::vector<int> areas;  // px, of each region; in the order of their first pixels
};

enum class Neighbours { four, eight };

// Regions of what is not 0 in `mask`, CV_8U.
Regions regions_of(const cv::Mat& mask, Neighbours neighbours);

// Sets `mask` to `value` under the runs for whose region `wanted` is not 0.
void paint(const Regions& regions, const std::vector<char>& wanted, unsigned char value,
           cv::Mat& mask);

}  // namespace trunnion

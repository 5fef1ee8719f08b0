// The parts of an image that hold a mask's outline: shapes and mixtures are examined there only,
// which is a tenth of a large image.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace trunnion::mask {

struct OutlineTile {
  cv::Rect core;   // tiles' cores don't overlap
  cv::Rect outer;  // the core and what is around it, within the image
};

// Tiles of `box` whose surroundings within `rim` px hold both 0 and 255, row by row. `binary_mask`:
// CV_8U, 0 or 255. Outside these tiles every pixel is farther than `rim` from the outline.
std::vector<OutlineTile> outline_tiles(const cv::Mat& binary_mask, const cv::Rect& box, int rim);

}  // namespace trunnion::mask

// The fine look of the mask stage: pixels of mixed blocks, and soft coverage along the outline.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask_blocks.h"

namespace trunnion {

// 255 where a pixel stands out, full size: solid blocks whole, mixed ones pixel by pixel.
cv::Mat standing_out(const cv::Mat& image, const BlockLook& look, double full_scale);

struct Outline {
  cv::Mat coverage;       // CV_8U
  double separation = 0;  // see MaskMeasures
  double weak_outline = 0;
};

// Soft coverage of the kept region `hard` (255 / 0).
Outline soften(const cv::Mat& image, const cv::Mat& hard, const BlockLook& look, double full_scale);

}  // namespace trunnion

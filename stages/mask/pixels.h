// The fine step of the mask stage: which pixels differ from the backdrop.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

// CV_8U, full size, 255 where a pixel differs: solid blocks whole, mixed ones pixel by pixel.
cv::Mat standing_out(const cv::Mat& image, const BlockContrast& blocks, const SurveyResult& survey);

}  // namespace trunnion::mask

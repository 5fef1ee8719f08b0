// Dark parts in front of a dark backdrop. A glossy eye that reflects the diffuser at about the
// level of the backdrop has almost no visible contrast, but still differs by many sigmas of the
// noise.
//
// What is darker than a dark backdrop is neither glow nor flare, so it is specimen. The mean
// difference of 3 x 3 pixels over its noise is held against its own scatter in the clear around
// the specimen, which includes the error of the backdrop's estimate. Pixels that are darker by many
// sigmas and touch the specimen are joined to it, with the doubtful ones between them, where such a
// part passes through the backdrop's level.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

// Adds to `binary_mask` (CV_8U) within `box` of the image.
void join_dark_parts(const cv::Mat& image, const cv::Rect& box, const BlockContrast& blocks,
                     const SurveyResult& survey, cv::Mat& binary_mask);

}  // namespace trunnion::mask

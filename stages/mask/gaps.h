// Gaps of the mask: openings through which the backdrop is visible.
//
// Gaps. With z the difference of a pixel from the backdrop over the noise, channel by channel,
// chi2 = |z|^2 of a backdrop pixel follows the chi-squared distribution of as many degrees of
// freedom as there are channels. Pixels within its bulk that hang together are a gap if their mean
// chi2 is that of noise and, where the gap is wide enough to average, the means of 3 x 3 are too: a
// dark cavity in front of a black backdrop comes near the backdrop's level but drifts through it.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

// `foreground`: pixels that stand out (pixels.h). Takes out of `binary_mask` (CV_8U, 255 = kept
// components, their holes filled) what shows the backdrop. Enclosed gaps stay filled unless
// `keep_holes`. Both work within `box` of the image; pixels outside are untouched.
void open_gaps(const cv::Mat& image, const cv::Mat& foreground, const cv::Rect& box,
               const BlockContrast& blocks, const SurveyResult& survey, bool keep_holes,
               cv::Mat& binary_mask);

}  // namespace trunnion::mask

// The fine look of the mask stage: pixels of mixed blocks, and soft coverage along the outline.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask_blocks.h"

namespace trunnion {

struct Standing {
  cv::Mat out;    // CV_8U full size, 255 where a pixel stands out
  cv::Mat depth;  // CV_8U full size, 40 * contrast / 1 sigma of a pixel's noise, up to 255, where
                  // it does not; 0 in clear blocks
};

// Solid blocks whole, mixed ones pixel by pixel.
Standing standing_out(const cv::Mat& image, const BlockLook& look, const SurveyResult& survey);

// True where the pixels `inside` (CV_8U, size of `box`) show the backdrop itself: the median of
// their difference from it is within the noise. A dark cavity before a black backdrop looks alike
// to the eye, but differs by many sigmas.
bool shows_backdrop(const cv::Mat& image, const cv::Rect& box, const cv::Mat& inside,
                    const BlockLook& look, const SurveyResult& survey);

// Soft coverage (CV_8U) of the kept region `hard` (255 / 0).
cv::Mat soften(const cv::Mat& image, const cv::Mat& hard, const BlockLook& look,
               const SurveyResult& survey);

}  // namespace trunnion

// Reflections of the specimen in a coloured backdrop.
//
// A glossy backdrop weakly reflects the colour of a specimen that is close to it:
// across the ray of shadow and spill (contrast.h), and so above the low threshold, but nowhere near
// the specimen's contrast. What hangs on the specimen, is broader than a bristle and stays below
// the middle of the two thresholds all over is such a reflection.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

// Takes reflections out of `binary_mask` (CV_8U, full size, 255 = kept components, their holes
// filled).
void drop_reflections(const BlockContrast& blocks, const SurveyResult& survey,
                      cv::Mat& binary_mask);

}  // namespace trunnion::mask

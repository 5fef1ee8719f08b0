// Glow: light of blurred slices that fusing a focus series leaves around the specimen.
//
// A specimen ends within a few pixels; glow fades over many. So an image has glow where, at a
// little distance from the broad parts of the specimen, even the places of least contrast (those
// between the hairs) differ from the backdrop.
//
// In such an image a block near the specimen counts as standing out only by a share of the contrast
// about it, and what does not is backdrop with glow in front of it: its level is continued over the
// rest, so that hairs in the glow are held against the glow.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

// The image's blocks against the backdrop with the glow in front of it; `blocks` themselves where
// the image has no glow worth speaking of.
BlockContrast against_glow(const cv::Mat& image, const BlockContrast& blocks,
                           const SurveyResult& survey);

}  // namespace trunnion::mask

// Glow: light of blurred slices that fusing a focus series leaves around the specimen.
//
// Glow stands out from the backdrop and is no specimen. It fades over many pixels, whereas a
// specimen ends within a few, however faint it is. So an image has glow where the backdrop can be
// followed from what does not stand out towards the specimen through much that does, as the
// contrast rises slowly and stays well below that of the specimen.
//
// In such an image a pixel near the specimen counts as standing out only by a share of the contrast
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

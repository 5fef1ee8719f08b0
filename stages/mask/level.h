// The backdrop behind one image, at the level that this image shows.
//
// The survey continues the backdrop over what no station looked past. Within a body of nearly
// constant radius, and between dense hairs beside it, that is wrong by a percent of the level:
// several sigmas of what a gap is judged by, so holes and gaps looked filled. The image itself
// shows more: its clear blocks beside the kept region, and openings that neither stand out nor
// vary. What it differs by there is continued smoothly over the rest and added.
//
// An opening is taken for backdrop where its blocks differ from the mean of the opening around them
// by no more than noise, and those means from each other by no more than 2 % of the level: a
// surface that passes through the backdrop's level is steep, and one with texture varies.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

// Corrects blocks.backdrop and blocks.backdrop_lab. `foreground`: pixels that stand out (pixels.h);
// `binary_mask`: the kept region with its holes filled; both CV_8U, full size.
void correct_backdrop(const cv::Mat& foreground, const cv::Mat& binary_mask,
                      const SurveyResult& survey, BlockContrast& blocks);

}  // namespace trunnion::mask

// The outline of the mask: soft coverage.
//
// Coverage. Gaps taken out, only the outermost pixels and thin parts are mixtures; further in a
// pixel is covered whole, whatever its brightness. How many pixels the transition takes is measured
// on the image. See unmix.h for the formula.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"
#include "stages/mask/expected.h"

namespace trunnion::mask {

struct SoftOutline {
  cv::Mat coverage;              // CV_8U
  int transition_px = 1;         // from backdrop to specimen
  std::vector<DoubtPart> parts;  // thin ones
};

// Soft coverage of the kept region `binary_mask` (255 / 0), all of which lies within `box` of the
// image.
SoftOutline soften(const cv::Mat& image, const cv::Rect& box, const cv::Mat& binary_mask,
                   const BlockContrast& blocks, const SurveyResult& survey);

}  // namespace trunnion::mask

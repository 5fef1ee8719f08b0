// Glow: fusion leaves around an outline a band in which the backdrop is mixed with what the
// specimen spread over it in slices that were out of focus there. It stands out, and so the kept
// region reaches past the specimen.
//
// Glow fades outwards from a step, the true edge. What lies on the outer side of the kept region
// and has but a small share of the contrast that is reached within some pixels is taken out, from
// outside inwards. Thin parts, which rise above both their sides, stay.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stages/mask_values.h"
#include "stages/outline_tiles.h"

namespace trunnion {

// `image`: as make_mask takes it; `tiles` hold the outline of `hard` (CV_8U, 0 or 255).
void trim_glow(const cv::Mat& image, const std::vector<OutlineTile>& tiles,
               const PixelBackdrop& backdrop, cv::Mat& hard);

}  // namespace trunnion

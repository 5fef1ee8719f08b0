// Glow: fusion leaves around an outline a band in which the backdrop is mixed with what the
// specimen spread over it in slices that were out of focus there. It stands out, and so the kept
// region reaches past the specimen and fills the gaps between its hairs.
//
// What joins the outside through the kept region and has but a share of the contrast that is
// reached within a few pixels may be glow: it is no pixel covered whole.
#pragma once

#include <opencv2/core.hpp>

#include "stages/mask/values.h"

namespace trunnion::mask {

// Within `part` of the image, CV_8U; `kept` (0 or 255) is the kept region there.
cv::Mat glow_in(const cv::Mat& image, const cv::Rect& part, const cv::Mat& kept,
                const PixelBackdrop& backdrop);

}  // namespace trunnion::mask

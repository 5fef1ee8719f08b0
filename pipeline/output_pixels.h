// Pixels as they are written and shown.
#pragma once

#include <opencv2/core.hpp>

#include "config/settings.h"

namespace trunnion {

// The fused image as the report shows it, 8 or 16 bit, at most as large as its pictures; a copy,
// since repair works in place.
cv::Mat picture_source(const cv::Mat& image);

// 8 or 16 bit, as the setting asks; the image itself where it is.
cv::Mat with_depth(const cv::Mat& image, OutputBits bits);

// The mask (CV_8U, of the same size) as alpha channel or as blackened backdrop, as the setting
// asks. The alpha of the fused image goes in every mode, except that without a mask
// AlphaMode::alpha keeps it. `grey`: the colours of an image with alpha are one grey, and it is
// written as one channel once its alpha is gone.
cv::Mat with_mask(const cv::Mat& image, const cv::Mat& mask, AlphaMode mode, bool grey);

}  // namespace trunnion

// Boundary F-measure (Perazzi et al., "A benchmark dataset and evaluation methodology for video
// object segmentation", CVPR 2016): harmonic mean of the shares of both boundaries that lie within
// a distance of the other.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion::test {

// Of the pixels covered by more than a half; within 2 px instead of the paper's 0.8 % of the
// diagonal (15 px on the demo), which would forgive a lost bristle.
double boundary_f(const cv::Mat& mask, const cv::Mat& truth);

}  // namespace trunnion::test

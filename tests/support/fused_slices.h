// A view as a focus series is fused: slices through a thin lens, each sharp at one depth, and of
// them the sharpest taken pixel by pixel. What lies out of focus spreads over what is beside it, so
// the backdrop next to an outline keeps a glow, and thin parts ghosts.
#pragma once

#include <opencv2/core.hpp>

#include "datasets/render.h"

namespace trunnion::test {

struct SliceOptions {
  int slices = 8;
  double blur_px = 2.2;  // half width of the disc of confusion one slice away
};

// `own`: CV_32FC3, the specimen's part of the light; `view` holds coverage and depth; `backdrop`
// (CV_32FC3) lies far behind. Selection by the local energy of the Laplacian over a window, the
// index smoothed (sum-modified Laplacian: S. Nayar, Y. Nakagawa, "Shape from focus", IEEE PAMI
// 16(8), 1994).
cv::Mat fused_slices(const cv::Mat& own, const demo::RenderedView& view, const cv::Mat& backdrop,
                     const SliceOptions& options = {});

}  // namespace trunnion::test

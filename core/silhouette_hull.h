// How silhouettes agree under known cameras: each is compared with the visual hull of the others.
//
// A pixel of silhouette i belongs to the reprojected hull if somewhere along its ray lies a point
// that projects into every other silhouette (A. Laurentini, "The visual hull concept for
// silhouette-based image understanding", IEEE PAMI 16(2), 1994; carved image by image as in
// W. Matusik et al., "Image-based visual hulls", SIGGRAPH 2000). The hull lies within each
// silhouette, so the share of its pixels that are met is the IoU of both.
//
// A pixel outside the hull is excluded by some view. If at the best point of its ray only one view
// excludes it, that view counts as wrong: specimen is missing there. Otherwise the pixel's own view
// counts as wrong: it contains backdrop.
#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

namespace trunnion {

using Projection34 = Eigen::Matrix<double, 3, 4>;  // silhouette pixel ~ P (X, Y, Z, 1)

struct HullView {
  cv::Mat silhouette;  // CV_8U coverage, free of lens distortion; outside of it nothing is known
  Projection34 pixel_from_world = Projection34::Zero();
};

struct HullOptions {
  int stride_px = 2;           // of the pixels tested; the share needs no more
  double tolerance_px = 1.0;   // of the silhouettes: by how much others may miss (rounding, poses)
  std::size_t witnesses = 36;  // other views asked about each pixel, evenly spread
};

struct HullAgreement {
  double agreement = 1;  // share of the silhouette inside the hull (= IoU)
  double excess = 0;     // share of the silhouette that several others exclude
  double missing = 0;    // pixels of others that only this view excludes, over its own area
};

std::vector<HullAgreement> hull_agreement(const std::vector<HullView>& views,
                                          const HullOptions& options = {});

}  // namespace trunnion

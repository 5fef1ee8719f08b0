// Edge spread: how sharp an image really is, from its outlines.
//
// Where the mask's outline runs, the profile of linear light across it is fitted by the edge of a
// step seen through a Gaussian, level + step * Phi((t - t0) / s), least squares over the samples
// within 3 s + 2 px. Edges that are no such step (shading of a rounded rim, two edges side by side,
// noise) have large residuals and are left out; what is left is never sharper than the lens allows
// but may be softer, since a rim may be rounded: hence a quantile below the median. The pixel's own
// square takes part: its variance, 1/12 px^2, is subtracted. The slanted edge of ISO 12233 is
// the same measure on a target made for it.
//
// As a detail (smallest separation of two features, as the plan states it): a Gaussian of sigma
// s is the Airy disc of Rayleigh distance 2.71 s (sigma = 0.225 lambda / NA: B. Zhang, J. Zerubia,
// J.-C. Olivo-Marin, Applied Optics 46 (2007) 1819, table 2, 2D paraxial; Rayleigh 0.61 lambda /
// NA), joined with two pixels as in the plan: sqrt((2.71 s)^2 + 2^2) px.
#pragma once

#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

namespace trunnion::edge_spread {

struct EdgeSpread {
  double sigma_px = 0;    // of the Gaussian, without the pixel's own square
  std::size_t edges = 0;  // that were steps; fewer than kMinEdges: nothing is known
};

inline constexpr std::size_t kMinEdges = 40;

// `image`: 8 or 16 bit, 1, 3 or 4 channels. `coverage`: CV_8U, same size, above 127 on the
// specimen. `light`: of each of the 65536 values of 16 bit, 0 to 1: the tone curve of the file.
// Deterministic. Throws a data error for images and masks of another form.
EdgeSpread measure_edge_spread(const cv::Mat& image, const cv::Mat& coverage,
                               const std::vector<float>& light);

// The smallest separation of two features that this spread leaves, in pixels of the image.
double detail_px(double sigma_px);

}  // namespace trunnion::edge_spread

// Search for specks of all sizes: matched filters over a pyramid of static gradients.
//
// Shapes of a few diameters are held against every pixel of every level of the pyramid (depth and
// strength as in speck.h, by convolution). Strengths are divided by their own scatter, taken
// apart where noise and where texture rules, because texture is correlated from pixel to pixel.
// From the strongest on, each candidate is fitted and judged, and taken out of all levels before
// the next one's turn, so that no speck is reported twice. Several are judged at once; those near
// one that was taken out meanwhile are judged again. In the end each is settled (settle.h).
//
// In front of texture, with enough stations, the geometric mean of strength and agreement
// (agreement.h) decides: texture that is strong in one of them by chance is seldom strong in
// the other. With fewer stations strength alone decides, which is reported as a doubt.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/speck.h"

namespace trunnion::survey {

struct SearchOptions {
  double least_depth = 0.025;
  double least_diameter = 2;      // px of the finest level
  double greatest_diameter = 48;  // of the longer axis
  double significance = 5.5;      // sigmas where noise rules
  double in_texture = 0.8;        // more where texture does: its tails are longer
  double agreed = 7.0;            // geometric mean of strength and agreement, in texture
  double brightening = 2.0;       // times as sure must be what brightens, which dust seldom does
};

// In px of the finest level, strongest first.
struct FoundSpeck {
  Speck speck;
  cv::Mat transmission;  // at the finest level, see speck.h
};

struct SearchResult {
  std::vector<FoundSpeck> specks;
  int doubtful = 0;  // shaped like specks, but neither sure nor clearly noise
};

// `logs`: quantised log images (static.h) of the stations, in their order; `defects`: pixels
// that are of no use.
SearchResult find_specks(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                         const std::vector<cv::Point2d>& defects, const SearchOptions& options);

}  // namespace trunnion::survey

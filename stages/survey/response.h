// How strongly a round speck of each diameter answers to the static gradients at every pixel.
//
// The shape's gradients are compared with the field's by least squares with its weights (a matched
// filter, G. L. Turin, "An introduction to matched filters", IRE Trans. Information Theory 6(3),
// 1960). Pattern answers as well as noise, so strengths are given in units of their scatter around
// the pixel.
#pragma once

#include <functional>
#include <opencv2/core.hpp>

#include "stages/survey/judge.h"

namespace trunnion::survey {

// What the shape of one diameter finds at every pixel of a level.
struct Response {
  double diameter = 0;  // px of the level
  cv::Mat strength;     // CV_32FC1, without sign, in units of its scatter
  cv::Mat scatter;      // CV_32FC1
};

// The level's diameters, several at once, taken in their order.
void respond(const Level& level, const std::function<void(const Response&)>& take);

}  // namespace trunnion::survey

// The pattern behind a speck as neighbouring stations show it beside the speck.
//
// The specimen turns on from station to station, so what lies behind a speck at one station is seen
// free of it at the next, displaced and foreshortened. Laid over by an affine map (B. D. Lucas and
// T. Kanade, "An iterative image registration technique with an application to stereo vision",
// IJCAI 1981; in logarithms, so that a change of light is an offset) and subtracted, it leaves what
// the map does not follow: a half to a fifth of the gradients.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/static.h"

namespace trunnion::survey {

// `logs`: quantised log images (static.h) of the stations, ring by ring; `patches`: the same
// within `window` without the speck, which reaches `reach` px from the window's middle. Patches
// (same type) whose pattern is reduced where a neighbour shows it, else as they were.
std::vector<cv::Mat> less_pattern(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                                  const std::vector<cv::Mat>& patches, const cv::Rect& window,
                                  double reach);

}  // namespace trunnion::survey

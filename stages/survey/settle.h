// The depth of a speck that was found, measured again more accurately.
//
// The field of static gradients (static.h) weighs each station by the gradients around the
// pixel, among which are the speck's own: where the pattern happens to run against the speck the
// gradients are small, that station counts for more, and the speck seems shallower than it is. With
// the speck divided out of the stations' images the weights know of the pattern alone. Shape and
// depth are fitted to that field with the speck put back, and so on until they settle: iterative
// reweighting by residuals, as P. W. Holland and R. E. Welsch, "Robust regression using iteratively
// reweighted least-squares", Communications in Statistics 6(9), 1977. At last the same with the
// pattern reduced by what neighbouring stations show of it (neighbour.h).
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/speck.h"

namespace trunnion::survey {

struct SettledSpeck {
  Speck speck;           // px of the logs
  cv::Mat transmission;  // see speck.h
};

// `logs`: quantised log images (static.h) of the stations, ring by ring; `found` in their px,
// with the `defects` that are of no use; `longest` as for fit_speck. A fit that leaves the speck's
// place or its sign is not followed: depth alone is settled then.
SettledSpeck settle(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                    const std::vector<cv::Point2d>& defects, const Speck& found, double longest);

}  // namespace trunnion::survey

// The margin of a mask: its outline moved outwards or inwards by an exact distance.
//
// The outline is where the coverage crosses one half between pixel centres. Of every pixel
// the distance d to the nearest such crossing is computed exactly, negative inside, by the lower
// envelope of parabolas (P. F. Felzenszwalb and D. P. Huttenlocher, "Distance transforms of sampled
// functions", Theory of Computing 8, 2012), so the cost does not depend on the radius. The moved
// outline covers a pixel by
//   coverage = clamp(0.5 + margin - d, 0, 1),
// exact for a straight outline along the rows or columns; a disc's radius moves by the margin to
// within 0.12 px from 3 px on and to 0.25 px below, where the crossings lie sparse. A positive
// margin takes nothing away and a negative one adds nothing; parts that nowhere reach one half have
// no outline and don't grow. The image's edge is no outline: what touches it is not shrunk from
// there.
#pragma once

#include <opencv2/core.hpp>

#include "config/settings.h"

namespace trunnion::mask {

// margin_px and margin_mm together, in px; `object_pixel_mm` as in make_mask.
double margin_px(const MaskSettings& settings, double object_pixel_mm);

// `outline`: CV_8U coverage. The result shares its pixels where `margin` (px) is 0.
cv::Mat with_margin(const cv::Mat& outline, double margin);

}  // namespace trunnion::mask

// Static parts of the images that the backdrop encloses.
//
// A smooth body of revolution on the axis, such as a pale glossy shell, looks the same from all
// sides: it stands as still as the backdrop does. But a backdrop reaches the frame's edge, and such
// a body is set off from it by a step that stands still as well. So a disc is rolled in from the
// frame's edge over the still region, across no step; what it covers is backdrop for sure, and is
// continued over the rest. A part of the rest is specimen (or its mount) where it differs from that
// continuation, lies at something that moves (if anything does), and has steps along most of its
// outline. The disc is wide, because limbs of a shaded body pass through the backdrop's brightness
// somewhere. A stage or a seam that crosses the frame touches its edge and stays backdrop; so does
// a label beside the specimen.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion::survey {

struct EnclosedParts {
  cv::Mat specimen;   // CV_8U, 255 where what stands still is no backdrop
  cv::Rect doubtful;  // box of parts that differ too little to decide, and stay backdrop; or empty
};

// `value` (CV_32FC3, 65535 = full scale): median over the stations; `still` (CV_8U): where they
// repeat it.
EnclosedParts enclosed_parts(const cv::Mat& value, const cv::Mat& still);

}  // namespace trunnion::survey

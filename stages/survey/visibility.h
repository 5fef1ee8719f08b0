// Which stations see the backdrop at a block (not the specimen), and its value there.
//
// A station sees the backdrop where its image agrees with what is expected, that is connected
// with the frame's edge, and none of its neighbours is surely something else. Agreement alone is
// not enough: with a dark backdrop a dark furrow of the specimen agrees as well, but it is an
// island within the outline or lies at its rim, where pixels are mixtures of both.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/stack.h"

namespace trunnion::survey {

// The frame's rows at the set's exposure, CV_32FC3, 65535 = full scale.
cv::Mat equalised(const SurveyFrame& frame, const cv::Range& rows = cv::Range::all());

// The part of `region` (CV_8U, 0 or 255) that is connected with the edge of the image.
cv::Mat joined_to_edge(const cv::Mat& region);

struct BackdropVisibility {
  cv::Mat mean;   // CV_32FC3 of the stations that saw the backdrop, 65535 = full scale
  cv::Mat count;  // CV_32FC1, how many did
};

// `expected` (CV_32FC3): the backdrop as far as it is known; `tolerance`: half axes of the
// ellipsoid about it in CIE L*a*b* that agrees, each > 0.
BackdropVisibility visible_backdrop(const std::vector<SurveyFrame>& frames, const cv::Mat& expected,
                                    const cv::Vec3f& tolerance);

// How far the stations scatter about `value` where `still` (CV_8U) says that nothing moves: half
// axes of the ellipsoid in CIE L*a*b* that holds the share `rank` (0..1) of them; 0 where that is
// nowhere. In front of a dark backdrop noise is several times wider in a* and b* than in L*.
cv::Vec3f scatter_over_stations(const std::vector<SurveyFrame>& frames, const cv::Mat& value,
                                const cv::Mat& still, double rank);

}  // namespace trunnion::survey

// The backdrop of a stack of reduced images (see survey.h).
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/stack.h"

namespace trunnion::survey {

struct StackBackdrop {
  cv::Mat value;      // CV_32FC3, 65535 = full scale
  cv::Mat seen;       // CV_8U
  cv::Mat visible;    // CV_32FC1, stations that showed it; all of them where nothing ever moved
  cv::Rect doubtful;  // blocks: a part that stands still and may be specimen (enclosed.h)
};

// Sets the gains of the frames from the parts of the frame's edge that stay still.
void equalise_exposure(std::vector<SurveyFrame>& frames);

using BlockNoise = NoiseModel;  // of a block's mean, 65535 = full scale

// `spotted` (CV_8U): where specks on the sensor hide the backdrop.
StackBackdrop estimate_backdrop(const std::vector<SurveyFrame>& frames, const BlockNoise& noise,
                                const cv::Mat& spotted);

// Contrast of every frame against the backdrop, CV_32FC1 each.
std::vector<cv::Mat> frame_contrasts(const std::vector<SurveyFrame>& frames,
                                     const cv::Mat& backdrop, bool single_pixels);

}  // namespace trunnion::survey

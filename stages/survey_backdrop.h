// The backdrop of a stack of reduced images (see survey.h) and how far the specimen stands out.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "core/survey_result.h"
#include "stages/survey_stack.h"

namespace trunnion {

struct StackBackdrop {
  cv::Mat value;  // CV_32FC3, 65535 = full scale
  cv::Mat seen;   // CV_8U
};

// Sets the gains of the frames from the parts of the frame's edge that stay still.
void equalise_exposure(std::vector<SurveyFrame>& frames);

// Variance of a block's mean, 65535 = full scale: at_zero + per_level * value.
struct BlockNoise {
  double at_zero = 0;
  double per_level = 0;
};

// `spotted` (CV_8U): where specks on the sensor make the frames tell nothing of the backdrop.
StackBackdrop estimate_backdrop(const std::vector<SurveyFrame>& frames, const BlockNoise& noise,
                                const cv::Mat& spotted);

// Extends `value` smoothly over the pixels where `known` is 0, by averaging down a pyramid and
// filling on the way back up.
cv::Mat fill_smoothly(const cv::Mat& value, const cv::Mat& known);

// The same over a cubic surface, which light that falls off over the frame follows into a gap.
cv::Mat continue_smoothly(const cv::Mat& value, const cv::Mat& known);

// Contrast of every frame against the backdrop, CV_32FC1 each.
std::vector<cv::Mat> frame_contrasts(const std::vector<SurveyFrame>& frames,
                                     const cv::Mat& backdrop, bool single_pixels);

// What stands still on the axis and enters the specimen from an edge of the image: rows from the
// edge inwards in which hardly more was ever occupied than was at every station. CV_8U.
// `occupied` is SurveyResult::occupied.
cv::Mat find_mount(const cv::Mat& occupied);

// Thresholds from the contrasts; `noise` is the contrast of one pixel's noise.
Separation separate(const std::vector<cv::Mat>& contrasts, double noise);

}  // namespace trunnion

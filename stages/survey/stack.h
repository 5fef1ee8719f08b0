// The survey's working memory: every surveyed image reduced to blocks, and what its full
// resolution says about noise.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "core/blocks.h"

namespace trunnion::survey {

inline constexpr int kSurveyLongestPx = 800;  // of the reduced images; backdrops are smooth

struct SurveyFrame {
  cv::Mat mean;                        // CV_16UC3, 65535 = full scale
  std::array<float, 3> gain{1, 1, 1};  // brings `mean` to the set's exposure
};

struct NoiseSample {
  float level = 0;     // sensor values
  float variance = 0;  // of one channel of one pixel
};

SurveyFrame reduce(const cv::Mat& image, int side, double full_scale);

// Level and variance of tiles spread over the image, all channels.
void sample_noise(const cv::Mat& image, double full_scale, std::vector<NoiseSample>& samples);

struct NoiseModel {
  double at_zero = 0;
  double per_level = 0;
};
NoiseModel fit_noise(std::vector<NoiseSample>& samples, double full_scale);

}  // namespace trunnion::survey

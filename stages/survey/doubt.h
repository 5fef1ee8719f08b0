// Whether what the stations show so far leaves a doubt that more of them may settle.
//
// Specks: places shaped like a speck whose strength is neither that of a speck nor clearly of noise
//   or pattern (search.h). Strength grows with the stations; in front of texture only
//   the agreement of kAgreementStations separates a speck from texture that repeats by chance.
// Backdrop: blocks where too few stations see the backdrop beside the specimen, so that no second
//   one confirms the first. What the specimen always hides, no station can show: no doubt.
// Noise: the noise of every other station and of the rest differ at a middle level, as where few
//   tiles are without texture.
#pragma once

#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/stack.h"

namespace trunnion::survey {

struct SurveyDoubts {
  int specks = 0;
  double backdrop = 0;  // share of the frame
  double noise = 0;     // by which sigma differs between the halves
  [[nodiscard]] bool any() const;
  // Whether any of the doubts that remain has become less: else further stations can't help.
  [[nodiscard]] bool eased_since(const SurveyDoubts& before) const;
};

// `visible` (CV_32FC1): how many stations showed backdrop at each block, see StackBackdrop;
// `noise`: samples of each station.
double thin_backdrop(const cv::Mat& visible, std::size_t stations);
double unsettled_noise(const std::vector<std::vector<NoiseSample>>& noise, double full_scale);

}  // namespace trunnion::survey

// Found and repaired dust of the demo against its truth.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "core/survey_result.h"
#include "datasets/demo_set.h"

namespace trunnion::test {

// Wanted are specks of 4 px and 3 % and more.
struct DustScore {
  int wanted = 0;
  int found = 0;
  int wrong = 0;
  int on_clean = 0;
  // At specimen pixels of found specks, and of those missed.
  double error2 = 0;
  double noise2 = 0;
  double missed_error2 = 0;
  double missed_noise2 = 0;

  [[nodiscard]] double recall() const;
  [[nodiscard]] double precision() const;
  [[nodiscard]] double error() const;  // over the noise, of found specks
  [[nodiscard]] double error_with_missed() const;
};

void judge_dust(const demo::DemoSet& set, const std::vector<Spot>& spots, DustScore& score);

// Error of one image (CV_8UC3 or CV_16UC3) against that of a perfect sensor; the noise of the
// sensor is part of it. `coverage`: the view's truth.
void judge_repair(const demo::DemoSet& set, const std::vector<Spot>& spots, const cv::Mat& repaired,
                  const cv::Mat& perfect, const cv::Mat& coverage, DustScore& score);

}  // namespace trunnion::test

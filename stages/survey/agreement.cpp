#include "stages/survey/agreement.h"

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "config/settings.h"

namespace trunnion::survey {
namespace {

static_assert(kAgreementStations <= static_cast<std::size_t>(kMostSurveyStations));

constexpr std::size_t kGroups = 12;
constexpr int kRim = 9;  // px around a speck whose texture counts in its weights

}  // namespace

double agreement_of(const std::vector<cv::Mat>& logs, const LightNoise& noise, const Speck& speck,
                    int scale) {
  if (logs.size() < kAgreementStations) return 0;
  const cv::Size level(logs.front().cols / scale, logs.front().rows / scale);
  const int reach = static_cast<int>(std::ceil(reach_of(speck))) + kRim;
  const cv::Point middle(speck.centre);
  const cv::Rect window =
      cv::Rect(middle.x - reach, middle.y - reach, 2 * reach + 1, 2 * reach + 1) &
      cv::Rect({0, 0}, level);
  if (window.width < 3 || window.height < 3) return 0;
  std::vector<cv::Mat> patches(logs.size());
  for (std::size_t k = 0; k < logs.size(); ++k) {
    patches[k] = logs[k](cv::Rect(window.tl() * scale, window.size() * scale));
    if (scale > 1) cv::resize(patches[k], patches[k], window.size(), 0, 0, cv::INTER_AREA);
  }
  Speck here = speck;
  here.centre -= cv::Point2d(window.tl());
  double sum = 0;
  double squares = 0;
  for (std::size_t group = 0; group < kGroups; ++group) {
    std::vector<cv::Mat> others;
    for (std::size_t k = 0; k < patches.size(); ++k) {
      if (k * kGroups / patches.size() != group) others.push_back(patches[k]);
    }
    weigh(static_gradient(others, noise), here);
    sum += here.depth;
    squares += here.depth * here.depth;
  }
  const double variance = (kGroups - 1.0) / kGroups * (squares - sum * sum / kGroups);
  return std::abs(speck.depth) / std::sqrt(std::max(variance, 1e-12));
}

}  // namespace trunnion::survey

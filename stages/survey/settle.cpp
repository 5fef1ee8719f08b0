#include "stages/survey/settle.h"

#include <cmath>
#include <cstdint>

#include "stages/survey/neighbour.h"

namespace trunnion::survey {
namespace {

constexpr int kSettleRim = 9;        // px around a speck whose texture counts in its weights
constexpr int kSettleRounds = 6;     // at most; each leaves about a third of the bias
constexpr int kNeighbourRounds = 2;  // of them with the pattern reduced
constexpr double kSettled = 0.002;   // of a depth: less changes no value behind the speck
constexpr double kLeastShare = 0.5;  // of the depth found, else the fit has left the speck

// The window of every station's image with the speck divided out.
std::vector<cv::Mat> without(const std::vector<cv::Mat>& logs, const cv::Rect& window,
                             const Speck& speck) {
  cv::Mat shadow(window.size(), CV_32FC1);
  for (int y = 0; y < shadow.rows; ++y) {
    for (int x = 0; x < shadow.cols; ++x) {
      shadow.at<float>(y, x) =
          static_cast<float>(speck.depth * shadow_at(speck, x, y)) / quantised_log_step();
    }
  }
  std::vector<cv::Mat> patches(logs.size());
  for (std::size_t k = 0; k < logs.size(); ++k) {
    cv::add(logs[k](window), shadow, patches[k], cv::noArray(), CV_16U);
  }
  return patches;
}

}  // namespace

SettledSpeck settle(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                    const std::vector<cv::Point2d>& defects, const Speck& found, double longest) {
  const int reach = static_cast<int>(std::ceil(reach_of(found))) + kSettleRim;
  const cv::Point middle(found.centre);
  const cv::Rect window =
      cv::Rect(middle.x - reach, middle.y - reach, 2 * reach + 1, 2 * reach + 1) &
      cv::Rect({0, 0}, logs.front().size());
  Speck here = found;
  here.centre -= cv::Point2d(window.tl());
  const Speck start = here;
  const auto is_same = [&start](const Speck& speck) {
    return cv::norm(speck.centre - start.centre) < 0.5 * start.diameter &&
           speck.depth / start.depth > kLeastShare;
  };
  StaticGradient field;
  const auto refit = [&](const std::vector<cv::Mat>& patches) {
    field = static_gradient(patches, noise);
    leave_out(field, defects, window.tl());
    Speck back = here;
    back.depth = -here.depth;
    take_out(field, back, 1);
    const double before = here.depth;
    const Speck fitted = fit_speck(field, here, longest);
    if (is_same(fitted)) {
      here = fitted;
    } else {
      weigh(field, here);
    }
    return std::abs(here.depth - before) < kSettled * std::abs(before);
  };
  for (int round = 0; round < kSettleRounds; ++round) {
    if (refit(without(logs, window, here))) break;
  }
  for (int round = 0; round < kNeighbourRounds; ++round) {
    if (refit(less_pattern(logs, noise, without(logs, window, here), window, reach_of(here)))) {
      break;
    }
  }
  SettledSpeck settled{here, transmission_of(field, here)};
  settled.speck.centre += cv::Point2d(window.tl());
  return settled;
}

}  // namespace trunnion::survey

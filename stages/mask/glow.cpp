#include "stages/mask/glow.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/fill_smoothly.h"

namespace trunnion::mask {
namespace {

constexpr double kStrongShare = 0.5;     // of the specimen's contrast: surely specimen
constexpr double kBroadPart = 0.015;     // of the longer side: narrower parts are hairs
constexpr double kRingDistance = 0.005;  // of the longer side: from such parts
constexpr double kRingRank = 0.1;        // of the ring: between the hairs
constexpr float kGlowLevel = 0.5F;       // of the low threshold
constexpr double kGlowReach = 0.009;     // of the longer side: within which contrast is examined
constexpr double kNearerLevel = 1.4;     // of the ring's level: glow nearer to the specimen
constexpr double kLeastShare = 0.08;     // of the contrast within that reach: less is glow
constexpr double kMostShare = 0.35;
constexpr std::size_t kLeastRing = 50;  // blocks

cv::Mat ellipse(int side) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {side, side});
}

float ranked_level(std::vector<float>& values, double rank) {
  const auto at =
      values.begin() + static_cast<std::ptrdiff_t>(rank * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

// The contrast between the hairs in a ring about the broad parts of the specimen, over that of
// those parts; 0 where it does not stand out.
double glow_level(const BlockContrast& blocks, const SurveyResult& survey) {
  const int longest = std::max(blocks.typical.cols, blocks.typical.rows);
  cv::Mat strong = blocks.typical >= kStrongShare * survey.separation.specimen;
  const int broad = static_cast<int>(std::lround(kBroadPart * longest)) | 1;
  cv::morphologyEx(strong, strong, cv::MORPH_OPEN, ellipse(broad));
  if (cv::countNonZero(strong) == 0) return 0.0;
  cv::Mat distance;
  cv::distanceTransform(~strong, distance, cv::DIST_L2, cv::DIST_MASK_5);
  const auto wanted = static_cast<float>(std::max(2.0, kRingDistance * longest));
  std::vector<float> levels;
  std::vector<float> lows;
  for (int y = 0; y < distance.rows; ++y) {
    for (int x = 0; x < distance.cols; ++x) {
      if (std::abs(distance.at<float>(y, x) - wanted) > 0.6F) continue;
      levels.push_back(blocks.typical.at<float>(y, x));
      lows.push_back(blocks.low.at<float>(y, x));
    }
  }
  if (levels.size() < kLeastRing) return 0.0;
  const float level = ranked_level(levels, kRingRank);
  if (level < kGlowLevel * ranked_level(lows, 0.5)) return 0.0;
  return level / cv::mean(blocks.typical, strong)[0];
}

}  // namespace

BlockContrast against_glow(const cv::Mat& image, const BlockContrast& blocks,
                           const SurveyResult& survey) {
  const double level = glow_level(blocks, survey);
  if (level <= 0) return blocks;
  const int longest = std::max(blocks.typical.cols, blocks.typical.rows);
  const int side = 2 * std::max(1, static_cast<int>(std::lround(kGlowReach * longest))) + 1;
  cv::Mat least;
  cv::dilate(blocks.typical, least, ellipse(side));
  cv::blur(least, least, {side, side});
  least *= std::clamp(kNearerLevel * level, kLeastShare, kMostShare);
  const cv::Mat glow = blocks.typical < cv::max(least, blocks.low);
  const cv::Mat behind = blocks.backdrop + fill_smoothly(blocks.mean - blocks.backdrop, glow);
  return contrast_of_blocks(image, survey, {behind, least});
}

}  // namespace trunnion::mask

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
constexpr double kGlowReach = 0.009;     // of the longer side: about which contrast is looked at
constexpr double kGlowShare = 0.1;       // of the contrast within that reach: less is glow
constexpr std::size_t kLeastRing = 50;   // blocks

cv::Mat ellipse(int side) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {side, side});
}

// The contrast between the hairs in a ring about the broad parts of the specimen, over the low
// threshold there.
bool has_glow(const BlockContrast& blocks, const SurveyResult& survey) {
  const int longest = std::max(blocks.typical.cols, blocks.typical.rows);
  cv::Mat strong = blocks.typical >= kStrongShare * survey.separation.specimen;
  const int broad = static_cast<int>(std::lround(kBroadPart * longest)) | 1;
  cv::morphologyEx(strong, strong, cv::MORPH_OPEN, ellipse(broad));
  if (cv::countNonZero(strong) == 0) return false;
  cv::Mat distance;
  cv::distanceTransform(~strong, distance, cv::DIST_L2, cv::DIST_MASK_5);
  const auto wanted = static_cast<float>(std::max(2.0, kRingDistance * longest));
  std::vector<float> levels;
  for (int y = 0; y < distance.rows; ++y) {
    for (int x = 0; x < distance.cols; ++x) {
      if (std::abs(distance.at<float>(y, x) - wanted) > 0.6F) continue;
      levels.push_back(blocks.typical.at<float>(y, x) / blocks.low.at<float>(y, x));
    }
  }
  if (levels.size() < kLeastRing) return false;
  const auto rank =
      levels.begin() + static_cast<std::ptrdiff_t>(kRingRank * static_cast<double>(levels.size()));
  std::nth_element(levels.begin(), rank, levels.end());
  return *rank >= kGlowLevel;
}

}  // namespace

BlockContrast against_glow(const cv::Mat& image, const BlockContrast& blocks,
                           const SurveyResult& survey) {
  if (!has_glow(blocks, survey)) return blocks;
  const int longest = std::max(blocks.typical.cols, blocks.typical.rows);
  const int side = 2 * std::max(1, static_cast<int>(std::lround(kGlowReach * longest))) + 1;
  cv::Mat least;
  cv::dilate(blocks.typical, least, ellipse(side));
  cv::blur(least, least, {side, side});
  least *= kGlowShare;
  const cv::Mat glow = blocks.typical < cv::max(least, blocks.low);
  const cv::Mat behind = blocks.backdrop + fill_smoothly(blocks.mean - blocks.backdrop, glow);
  return contrast_of_blocks(image, survey, {behind, least});
}

}  // namespace trunnion::mask

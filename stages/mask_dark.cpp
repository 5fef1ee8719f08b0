#include "stages/mask_dark.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "stages/mask_values.h"

namespace trunnion {
namespace {

constexpr float kDark = 0.15F;        // of full scale: brighter backdrops show dark parts clearly
constexpr float kSurely = 8.0F;       // sigmas darker
constexpr float kPerhaps = 4.0F;      // sigmas off either way, next to what surely is
constexpr float kKnown = 1.5F;        // sigmas by which the clear may scatter
constexpr int kLeastArea = 5;         // px of what surely is darker
constexpr int kGreatestOpening = 60;  // px of an opening that is filled next to it
constexpr int kBroadArea = 20;        // px from which a dark part may hold doubtful pixels together
constexpr int kReach = 4;             // px from it to doubtful pixels
constexpr double kMostSamples = 4e5;  // enough for a median
constexpr std::size_t kEnough = 400;  // clear pixels to tell the scatter from

// Sum over the channels of the difference from the backdrop over the noise, mean of 3 x 3, in its
// own sigmas if noise were all; 0 where the backdrop is not dark.
template <typename T>
cv::Mat differences(const cv::Mat& image, const cv::Rect& box, const PixelBackdrop& backdrop) {
  const int channels = image.channels();
  cv::Mat away = cv::Mat::zeros(box.size(), CV_32FC1);
  for (int y = 0; y < box.height; ++y) {
    const T* row = image.ptr<T>(box.y + y) + box.x * channels;
    auto* to = away.ptr<float>(y);
    for (int x = 0; x < box.width; ++x) {
      const Vec3 behind = backdrop.at(box.x + x, box.y + y);
      if (behind[0] + behind[1] + behind[2] > 3.0F * kDark) continue;
      const Vec3 value = value_of(row + x * channels, channels);
      for (int c = 0; c < 3; ++c) {
        to[x] += (value[c] - behind[c]) / std::sqrt(backdrop.variance(behind[c]));
      }
    }
  }
  cv::blur(away, away, {3, 3});
  return away * (channels == 1 ? 1.0 : std::sqrt(3.0));
}

// Centred and scaled by what it is in the clear; false where too little is clear or the backdrop is
// not known to within its noise: folds of a cloth are darker than it, too.
bool normalise(cv::Mat& away, const cv::Mat& region) {
  cv::Mat near;
  cv::dilate(region, near, cv::Mat::ones(9, 9, CV_8U));
  std::vector<float> clear;
  const int step =
      1 + static_cast<int>(std::sqrt(static_cast<double>(away.total()) / kMostSamples));
  for (int y = 0; y < away.rows; y += step) {
    for (int x = 0; x < away.cols; x += step) {
      if (near.at<std::uint8_t>(y, x) == 0) clear.push_back(away.at<float>(y, x));
    }
  }
  if (clear.size() < kEnough) return false;
  const auto median = [&clear] {
    const auto at = clear.begin() + static_cast<std::ptrdiff_t>(clear.size() / 2);
    std::nth_element(clear.begin(), at, clear.end());
    return *at;
  };
  const float middle = median();
  for (float& value : clear) value = std::abs(value - middle);
  const float scatter = 1.4826F * median();
  away = (away - middle) / std::max(1.0F, scatter);
  return scatter <= kKnown;
}

cv::Mat disc(int radius) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
}

// The components of `parts` that have `least` pixels and touch `region`.
cv::Mat joined(const cv::Mat& parts, const cv::Mat& region, int least) {
  cv::Mat near;
  cv::dilate(region, near, disc(2));
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  const int count = cv::connectedComponentsWithStats(parts, labels, stats, centroids, 8, CV_32S);
  std::vector<char> touches(static_cast<std::size_t>(count), 0);
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      if (near.at<std::uint8_t>(y, x) != 0) {
        touches[static_cast<std::size_t>(labels.at<int>(y, x))] = 1;
      }
    }
  }
  cv::Mat kept(parts.size(), CV_8U);
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      const int label = labels.at<int>(y, x);
      const bool keep = label != 0 && touches[static_cast<std::size_t>(label)] != 0 &&
                        stats.at<int>(label, cv::CC_STAT_AREA) >= least;
      kept.at<std::uint8_t>(y, x) = keep ? 255 : 0;
    }
  }
  return kept;
}

// Small openings of `region`: where a dark part passes through the backdrop's level.
cv::Mat enclosed(const cv::Mat& region) {
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  cv::connectedComponentsWithStats(~region, labels, stats, centroids, 4, CV_32S);
  cv::Mat small(region.size(), CV_8U);
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      const int label = labels.at<int>(y, x);
      const bool fill = label != 0 && stats.at<int>(label, cv::CC_STAT_AREA) <= kGreatestOpening;
      small.at<std::uint8_t>(y, x) = fill ? 255 : 0;
    }
  }
  return small;
}

}  // namespace

void join_dark_parts(const cv::Mat& image, const cv::Rect& box, const BlockLook& look,
                     const SurveyResult& survey, cv::Mat& hard) {
  if (box.empty() || cv::mean(look.backdrop)[1] > 2.0 * kDark * survey.full_scale) return;
  const PixelBackdrop backdrop(look, survey);
  cv::Mat away = image.depth() == CV_16U ? differences<std::uint16_t>(image, box, backdrop)
                                         : differences<std::uint8_t>(image, box, backdrop);
  cv::Mat region = hard(box);
  if (!normalise(away, region)) return;
  const cv::Mat darker = joined(away < -kSurely, region, kLeastArea);
  if (cv::countNonZero(darker) == 0) return;
  region |= darker;
  const cv::Mat broad = joined(darker, region, kBroadArea);
  cv::Mat around;
  cv::dilate(broad, around, disc(kReach));
  const cv::Mat doubtful = (cv::abs(away) > kPerhaps) & around;
  cv::Mat whole = region | joined(doubtful, broad, 1);
  cv::morphologyEx(whole, whole, cv::MORPH_CLOSE, disc(2));
  whole |= enclosed(whole);
  region |= whole & around;
}

}  // namespace trunnion

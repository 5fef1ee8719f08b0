#include "stages/mask_glow.h"

#include <tbb/parallel_for.h>

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

constexpr int kReach = 8;       // px that glow is followed inwards
constexpr int kNear = 6;        // px within which the contrast of the specimen is reached
constexpr float kShare = 0.3F;  // of it: glow lies below
constexpr float kThinShare =
    0.5F;                 // of its own contrast by which a thin part rises above its sides
constexpr int kThin = 5;  // px, wider than thin parts

// Distance of each pixel's value from the backdrop's, mean of 3 x 3, CV_32FC1.
template <typename T>
cv::Mat away_from(const cv::Mat& image, const cv::Rect& part, const PixelBackdrop& backdrop) {
  cv::Mat away(part.size(), CV_32FC3);
  const int channels = image.channels();
  for (int y = 0; y < part.height; ++y) {
    const T* row = image.ptr<T>(part.y + y) + part.x * channels;
    auto* to = away.ptr<Vec3>(y);
    for (int x = 0; x < part.width; ++x) {
      to[x] = value_of(row + x * channels, channels) - backdrop.at(part.x + x, part.y + y);
    }
  }
  cv::blur(away, away, {3, 3});
  cv::Mat length(part.size(), CV_32FC1);
  for (int y = 0; y < part.height; ++y) {
    for (int x = 0; x < part.width; ++x) {
      length.ptr<float>(y)[x] = static_cast<float>(cv::norm(away.ptr<Vec3>(y)[x]));
    }
  }
  return length;
}

cv::Mat disc(int side) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {side, side});
}

// What is left of one part of `hard`.
cv::Mat trimmed(const cv::Mat& away, const cv::Mat& hard) {
  cv::Mat kept = away.clone();
  kept.setTo(0, ~hard);
  cv::Mat reached;
  cv::dilate(kept, reached, disc(2 * kNear + 1));
  cv::Mat broad;
  cv::morphologyEx(away, broad, cv::MORPH_OPEN, disc(kThin));
  const cv::Mat glow = hard & (away < kShare * reached) & (away - broad < kThinShare * away);
  cv::Mat outside = ~hard;
  const cv::Mat cross = cv::getStructuringElement(cv::MORPH_CROSS, {3, 3});
  for (int step = 0; step < kReach; ++step) {
    cv::Mat wider;
    cv::dilate(outside, wider, cross);
    outside |= wider & glow;
  }
  return ~outside;
}

}  // namespace

void trim_glow(const cv::Mat& image, const std::vector<OutlineTile>& tiles,
               const PixelBackdrop& backdrop, cv::Mat& hard) {
  const cv::Mat before = hard.clone();
  tbb::parallel_for(std::size_t{0}, tiles.size(), [&](std::size_t k) {
    const OutlineTile& tile = tiles[k];
    const cv::Mat away = image.depth() == CV_16U
                             ? away_from<std::uint16_t>(image, tile.outer, backdrop)
                             : away_from<std::uint8_t>(image, tile.outer, backdrop);
    const cv::Mat rest = trimmed(away, before(tile.outer));
    rest(tile.core - tile.outer.tl()).copyTo(hard(tile.core));
  });
}

}  // namespace trunnion

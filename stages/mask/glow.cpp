#include "stages/mask/glow.h"

#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace trunnion::mask {
namespace {

constexpr int kGlowReach = 14;      // px that glow is followed inwards
constexpr int kGlowNear = 6;        // px within which the contrast of the specimen is reached
constexpr double kGlowShare = 0.5;  // of it: glow lies below

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

}  // namespace

cv::Mat glow_in(const cv::Mat& image, const cv::Rect& part, const cv::Mat& kept,
                const PixelBackdrop& backdrop) {
  const cv::Mat away = image.depth() == CV_16U ? away_from<std::uint16_t>(image, part, backdrop)
                                               : away_from<std::uint8_t>(image, part, backdrop);
  cv::Mat reached = away.clone();
  reached.setTo(0, ~kept);
  constexpr int kSide = 2 * kGlowNear + 1;
  cv::dilate(reached, reached, cv::getStructuringElement(cv::MORPH_ELLIPSE, {kSide, kSide}));
  const cv::Mat faint = kept & (away < kGlowShare * reached);
  const cv::Mat cross = cv::getStructuringElement(cv::MORPH_CROSS, {3, 3});
  cv::Mat outside = ~kept;
  for (int step = 0; step < kGlowReach; ++step) {
    cv::Mat wider;
    cv::dilate(outside, wider, cross);
    outside |= wider & faint;
  }
  return outside & kept;
}

}  // namespace trunnion::mask

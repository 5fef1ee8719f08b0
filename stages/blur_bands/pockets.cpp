#include "stages/blur_bands/pockets.h"

#include <algorithm>
#include <array>
#include <opencv2/imgproc.hpp>

namespace trunnion::blur_bands {
namespace {

constexpr double kSmoothPx = 1.5;  // a pocket is only a few pixels wide
constexpr double kMaxHue = 0.06;
constexpr float kBright = 0.35F;  // of full scale

struct Levels {
  double darkest;
  double brightest;
};
constexpr Levels kBeforeDark{0.70, 1.15};
constexpr Levels kBeforeBright{0.93, 1.07};

bool looks_like(const cv::Vec3f& here, const cv::Vec3f& backdrop) {
  std::array<double, 3> ratio{};
  double level = 0;
  for (int c = 0; c < 3; ++c) {
    const double below = std::max(1e-4, static_cast<double>(backdrop[c]));
    ratio[static_cast<std::size_t>(c)] = static_cast<double>(here[c]) / below;
    level += ratio[static_cast<std::size_t>(c)] / 3.0;
  }
  const auto [least, most] = std::minmax_element(ratio.begin(), ratio.end());
  const double hue = std::max(*most / level - 1.0, 1.0 - *least / level);
  const bool bright = std::max({backdrop[0], backdrop[1], backdrop[2]}) > kBright;
  const Levels& levels = bright ? kBeforeBright : kBeforeDark;
  return level > levels.darkest && level < levels.brightest && hue < kMaxHue;
}

}  // namespace

void drop_pockets(cv::Mat& patches, const cv::Mat& image, const cv::Mat& backdrop,
                  const cv::Size& size, const cv::Rect& crop) {
  const int scale = image.cols / size.width;
  cv::Mat seen = image(cv::Rect(crop.tl() * scale, crop.size() * scale));
  if (scale > 1) cv::resize(seen, seen, crop.size(), 0, 0, cv::INTER_AREA);
  if (image.channels() == 1) cv::cvtColor(seen, seen, cv::COLOR_GRAY2BGR);
  if (image.channels() == 4) cv::cvtColor(seen, seen, cv::COLOR_BGRA2BGR);
  const double full = image.depth() == CV_16U ? 65535.0 : 255.0;
  cv::Mat smooth;
  seen.convertTo(smooth, CV_32F, 1.0 / full);
  cv::GaussianBlur(smooth, smooth, {}, kSmoothPx);
  cv::Mat behind;
  cv::resize(backdrop, behind, size, 0, 0, cv::INTER_LINEAR);
  behind = behind(crop);
  for (int y = 0; y < patches.rows; ++y) {
    for (int x = 0; x < patches.cols; ++x) {
      if (patches.at<uchar>(y, x) == 0) continue;
      if (looks_like(smooth.at<cv::Vec3f>(y, x), behind.at<cv::Vec3f>(y, x))) {
        patches.at<uchar>(y, x) = 0;
      }
    }
  }
}

}  // namespace trunnion::blur_bands

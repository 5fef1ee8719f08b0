#include "stages/mask/glow.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <opencv2/imgproc.hpp>

#include "core/fill_smoothly.h"

namespace trunnion::mask {
namespace {




constexpr double kGlowReach = 0.009;    // of the image: how far glow reaches


#ifdef XX
// Blocks in which the contrast rises slowly and is faint, CV_8U.
cv::Mat slow_blocks(const BlockContrast& blocks, const SurveyResult& survey) {
  cv::Mat most;
  cv::Mat least;
  cv::dilate(blocks.typical, most, cv::Mat());
  cv::erode(blocks.typical, least, cv::Mat());
  cv::Mat slow(most.size(), CV_8U);
  const auto faint = static_cast<float>(kFaintGlow * survey.separation.specimen);
  for (int y = 0; y < slow.rows; ++y) {
    for (int x = 0; x < slow.cols; ++x) {
      const float top = most.at<float>(y, x);
      const float rise = top - least.at<float>(y, x);
      slow.at<std::uint8_t>(y, x) =
          top <= faint && rise <= std::max(kSlowRise * top, blocks.low.at<float>(y, x)) ? 255 : 0;
    }
  }
  return slow;
}
#endif

#ifdef XX
// Share of what stands out that rises slowly from the backdrop.
double glowing_share(const BlockContrast& blocks, const SurveyResult& survey) {
  cv::Mat joined;
  cv::copyMakeBorder(slow_blocks(blocks, survey), joined, 1, 1, 1, 1, cv::BORDER_CONSTANT,
                     cv::Scalar(255));
  cv::floodFill(joined, cv::Point(0, 0), cv::Scalar(128), nullptr, {}, {}, 4);
  const cv::Mat behind = joined(cv::Rect({1, 1}, blocks.typical.size())) == 128;
  return cv::countNonZero(behind & ~blocks.clear) /
         std::max(1.0, static_cast<double>(cv::countNonZero(~blocks.clear)));
}

#endif
}  // namespace

BlockContrast against_glow(const cv::Mat& image, const BlockContrast& blocks,
                           const SurveyResult& survey) {
  {
    cv::Mat strong = blocks.typical >= 0.5 * survey.separation.specimen;
    cv::morphologyEx(strong, strong, cv::MORPH_OPEN, cv::getStructuringElement(cv::MORPH_ELLIPSE, {9, 9}));
    cv::Mat distance;
    cv::distanceTransform(~strong, distance, cv::DIST_L2, cv::DIST_MASK_5);
    for (int d : {2, 3, 4, 5, 6, 8, 10, 14, 20}) {
      std::vector<float> v;
      for (int y = 0; y < distance.rows; ++y)
        for (int x = 0; x < distance.cols; ++x)
          if (std::abs(distance.at<float>(y, x) - static_cast<float>(d)) < 0.6) v.push_back(blocks.typical.at<float>(y, x));
      std::sort(v.begin(), v.end());
      if (v.size() > 20) fprintf(stderr, "%d:%.2f,%.2f,%.2f ", d, v[v.size() / 10], v[v.size() / 4], v[v.size() / 2]);
    }
    fprintf(stderr, "stat\n");
  }
  if (getenv("G0") == nullptr) return blocks;
  const cv::Size size = blocks.typical.size();
  const int reach =
      std::max(1, static_cast<int>(std::lround(kGlowReach * std::max(size.width, size.height))));
  cv::Mat least;
  cv::dilate(blocks.typical, least,
             cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * reach + 1, 2 * reach + 1}));
  cv::blur(least, least, {2 * reach + 1, 2 * reach + 1});
  least *= atof(getenv("G0"));
  const cv::Mat glow = blocks.typical < cv::max(least, blocks.low);
  const cv::Mat behind = blocks.backdrop + fill_smoothly(blocks.mean - blocks.backdrop, glow);
  return contrast_of_blocks(image, survey, {behind, least});
}

}  // namespace trunnion::mask

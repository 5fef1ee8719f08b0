#include "stages/survey_shade.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <utility>

namespace trunnion {
namespace {

constexpr float kZero = 180.0F;         // how a shade of 0 is remembered
constexpr float kStep = 0.005F;         // of a shade; 0 to 255 is -0.9 to +0.375
constexpr double kScatterScale = 1500;  // keeps a scatter of up to 17 % in a byte
constexpr int kUnrestCells = 7;
constexpr float kCalm = 1.6F;  // times the unrest of the calmest stations

}  // namespace

// How much brighter than its surround each pixel is, as a share of it. The surround is a median, so
// neither the speck nor an edge at some distance is part of it.
cv::Mat shade_of(const cv::Mat& grey, int shrink, double full_scale) {
  const cv::Size small((grey.cols + shrink - 1) / shrink, (grey.rows + shrink - 1) / shrink);
  cv::Mat reduced;
  cv::resize(grey, reduced, small, 0, 0, cv::INTER_AREA);
  cv::Mat median;
  cv::medianBlur(reduced, median, 5);
  cv::Mat surround;
  cv::resize(median, surround, grey.size(), 0, 0, cv::INTER_LINEAR);
  surround = cv::max(surround, 0.002 * full_scale);
  cv::Mat shade = grey / surround;
  cv::Mat remembered;
  shade.convertTo(remembered, CV_8U, 1.0F / kStep, kZero - 1.0F / kStep);
  return remembered;
}

// Mean unevenness around each pixel, at 1/shrink of the size.
cv::Mat unrest_of(const cv::Mat& shade, int shrink) {
  cv::Mat away;
  cv::absdiff(shade, cv::Scalar(kZero), away);
  cv::Mat small;
  cv::resize(away, small, {(shade.cols + shrink - 1) / shrink, (shade.rows + shrink - 1) / shrink},
             0, 0, cv::INTER_AREA);
  cv::Mat wide;
  small.convertTo(wide, CV_32F);
  cv::blur(wide, wide, {kUnrestCells, kUnrestCells});
  return wide;
}

// Median over those stations at which little goes on around the pixel: where the specimen comes
// past now and then, those at which it does not.
Shades median_shade(const std::vector<cv::Mat>& stations, const std::vector<cv::Mat>& unrest,
                    int shrink) {
  const cv::Size size = stations.front().size();
  const std::size_t n = stations.size();
  const std::size_t least = std::min(n, std::max<std::size_t>(3, n / 3));
  Shades result{cv::Mat(size, CV_32FC1), cv::Mat(size, CV_32FC1)};
  std::vector<std::pair<float, std::size_t>> order(n);
  std::vector<float> values;
  const auto middle_of = [&values] {
    const auto at = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), at, values.end());
    if (values.size() % 2 != 0) return *at;
    return 0.5F * (*at + *std::max_element(values.begin(), at));
  };
  for (int v = 0; v < unrest.front().rows; ++v) {
    for (int u = 0; u < unrest.front().cols; ++u) {
      for (std::size_t k = 0; k < n; ++k) order[k] = {unrest[k].at<float>(v, u), k};
      std::sort(order.begin(), order.end());
      std::size_t calm = least;
      while (calm < n && order[calm].first <= kCalm * order[least / 2].first) ++calm;
      for (int y = v * shrink; y < std::min(size.height, (v + 1) * shrink); ++y) {
        for (int x = u * shrink; x < std::min(size.width, (u + 1) * shrink); ++x) {
          values.clear();
          for (std::size_t k = 0; k < calm; ++k) {
            values.push_back(static_cast<float>(stations[order[k].second].ptr<std::uint8_t>(y)[x]));
          }
          const float middle = middle_of();
          for (float& value : values) value = std::abs(value - middle);
          result.middle.ptr<float>(y)[x] = kStep * (middle - kZero);
          // Of the median of n values 1.25 / sqrt(n) sigma; sigma is 1.48 of the median deviation.
          result.error.ptr<float>(y)[x] = kStep * 1.25F * 1.4826F * std::max(0.5F, middle_of()) /
                                          std::sqrt(static_cast<float>(calm));
        }
      }
    }
  }
  return result;
}

// Sigma of `slope` around each pixel that specks and edges in less than half of the surround do not
// raise.
cv::Mat scatter_around(const cv::Mat& slope, int reach_px) {
  constexpr int kShrink = 3;
  cv::Mat small;
  cv::resize(cv::abs(slope), small, {slope.cols / kShrink, slope.rows / kShrink}, 0, 0,
             cv::INTER_NEAREST);
  cv::Mat quantised;
  small.convertTo(quantised, CV_8U, kScatterScale);
  cv::medianBlur(quantised, quantised, 2 * (reach_px / kShrink / 2) + 1);
  cv::Mat wide;
  cv::resize(quantised, wide, slope.size(), 0, 0, cv::INTER_LINEAR);
  cv::Mat scatter;
  wide.convertTo(scatter, CV_32F, 1.4826 / kScatterScale);
  return scatter;
}

}  // namespace trunnion

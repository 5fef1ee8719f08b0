#include "core/fill_smoothly.h"

#include <algorithm>
#include <cstddef>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace trunnion {

cv::Mat fill_smoothly(const cv::Mat& value, const cv::Mat& known) {
  std::vector<cv::Mat> sums;
  std::vector<cv::Mat> weights;
  cv::Mat weight;
  known.convertTo(weight, CV_32F, 1.0 / 255.0);
  cv::Mat weight3;
  cv::merge(std::vector<cv::Mat>{weight, weight, weight}, weight3);
  sums.push_back(value.mul(weight3));
  weights.push_back(weight);
  while (std::max(sums.back().cols, sums.back().rows) > 2) {
    const cv::Size half((sums.back().cols + 1) / 2, (sums.back().rows + 1) / 2);
    cv::Mat sum;
    cv::Mat w;
    cv::resize(sums.back(), sum, half, 0, 0, cv::INTER_AREA);
    cv::resize(weights.back(), w, half, 0, 0, cv::INTER_AREA);
    // Saturating weights let near pixels outvote many far ones.
    for (int y = 0; y < half.height; ++y) {
      for (int x = 0; x < half.width; ++x) {
        float& at = w.ptr<float>(y)[x];
        const float scaled = std::min(1.0F, 4.0F * at);
        if (at > 0) sum.ptr<cv::Vec3f>(y)[x] *= scaled / at;
        at = scaled;
      }
    }
    sums.push_back(sum);
    weights.push_back(w);
  }
  cv::Mat filled;
  for (std::size_t level = sums.size(); level-- > 0;) {
    cv::Mat here(sums[level].size(), CV_32FC3, cv::Scalar::all(0));
    cv::Mat coarse;
    if (!filled.empty()) cv::resize(filled, coarse, here.size(), 0, 0, cv::INTER_LINEAR);
    for (int y = 0; y < here.rows; ++y) {
      for (int x = 0; x < here.cols; ++x) {
        const float w = weights[level].ptr<float>(y)[x];
        cv::Vec3f at = sums[level].ptr<cv::Vec3f>(y)[x];
        if (!coarse.empty()) {
          at += (1.0F - w) * coarse.ptr<cv::Vec3f>(y)[x];
        } else if (w > 0) {
          at *= 1.0F / w;
        }
        here.ptr<cv::Vec3f>(y)[x] = at;
      }
    }
    filled = here;
  }
  return filled;
}

}  // namespace trunnion

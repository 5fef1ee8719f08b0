#include "datasets/focus_layers.h"

#include <algorithm>

namespace trunnion::demo {

std::vector<cv::Mat> depth_layers(const cv::Mat& own, const RenderedView& view, int count) {
  double nearest = 0;
  double farthest = 0;
  cv::minMaxLoc(view.depth_mm, &nearest, &farthest, nullptr, nullptr, view.coverage > 0);
  const double step = (farthest - nearest) / count + 1e-9;
  std::vector<cv::Mat> layers;
  for (int i = 0; i < count; ++i) layers.push_back(cv::Mat::zeros(own.size(), CV_32FC4));
  for (int y = 0; y < own.rows; ++y) {
    for (int x = 0; x < own.cols; ++x) {
      if (view.coverage.at<uchar>(y, x) == 0) continue;
      const double depth = view.depth_mm.at<float>(y, x);
      const int i = std::clamp(static_cast<int>((depth - nearest) / step), 0, count - 1);
      const auto& c = own.at<cv::Vec3f>(y, x);
      const float opaque = 1.0F - view.through.at<float>(y, x);
      layers[static_cast<std::size_t>(i)].at<cv::Vec4f>(y, x) = {c[0], c[1], c[2], opaque};
    }
  }
  return layers;
}

void lay_over(cv::Mat& behind, const cv::Mat& layer) {
  for (int y = 0; y < behind.rows; ++y) {
    auto* to = behind.ptr<cv::Vec3f>(y);
    const auto* from = layer.ptr<cv::Vec4f>(y);
    for (int x = 0; x < behind.cols; ++x) {
      if (from[x][3] <= 0) continue;
      const float rest = 1.0F - std::min(1.0F, from[x][3]);
      for (int c = 0; c < 3; ++c) to[x][c] = from[x][c] + rest * to[x][c];
    }
  }
}

}  // namespace trunnion::demo

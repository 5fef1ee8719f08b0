// What a pixel on a mask's outline has around it: sums over the kept pixels within a few pixels,
// four at a time.
#pragma once

#include <array>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

#include "stages/mask/values.h"

namespace trunnion::mask {

struct WindowSums {
  // Over pixels that are covered whole, near ones counting more.
  float weight = 0;
  std::array<float, 3> sum{};
  std::array<float, 6> products{};  // of a symmetric matrix: 00 01 02 11 12 22
  // Over kept pixels by the sixth power of their distance from the backdrop: one covered whole
  // outvotes mixed ones.
  float extreme_weight = 0;
  std::array<float, 3> extreme{};
};

class OutlineWindow {
 public:
  // `reach`: px that it looks each way.
  explicit OutlineWindow(int reach);

  // The pixels that `at` will be asked about: `core`, given as are binary_mask, inner and thin
  // (CV_8U, 0 or 255) in px from `origin` of the image.
  void take(const cv::Mat& image, const cv::Point& origin, const cv::Rect& core,
            const cv::Mat& binary_mask, const cv::Mat& inner, const cv::Mat& thin);

  // Around (x, y) from the same origin; of the kept pixels only thin ones where `thin_only`.
  [[nodiscard]] WindowSums at(int x, int y, const Vec3& behind, bool thin_only) const;

 private:
  template <typename T>
  void fill(const cv::Mat& image, const cv::Point& origin, const cv::Mat& binary_mask,
            const cv::Mat& inner, const cv::Mat& thin);

  int reach_;
  int padded_;  // px a row of the window, a multiple of four
  std::vector<float> near_;
  std::vector<float> within_;  // 1 within reach, 0 in what rows are padded with
  cv::Rect held_;              // what the planes hold, px from the origin
  // CV_32FC1, as wide as rows of the window need beyond it: values, and 1 where it counts.
  std::array<cv::Mat, 3> values_;
  cv::Mat whole_;
  cv::Mat kept_;
  cv::Mat kept_thin_;
};

}  // namespace trunnion::mask

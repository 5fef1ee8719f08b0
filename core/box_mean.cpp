#include "core/box_mean.h"

#include <algorithm>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/vector_code.h"

namespace trunnion {
namespace {

TRUNNION_VECTOR_CODE [[gnu::noinline]] void add_run(const float* __restrict run, std::size_t count,
                                                    float* __restrict sum) {
  for (std::size_t x = 0; x < count; ++x) sum[x] += run[x];
}

TRUNNION_VECTOR_CODE [[gnu::noinline]] void scale_run(float factor, std::size_t count,
                                                      float* __restrict run) {
  for (std::size_t x = 0; x < count; ++x) run[x] *= factor;
}

}  // namespace

// Sums are not carried along from pixel to pixel: floats would drift.
void box_mean(const cv::Mat& from, cv::Mat& to, int side, int border) {
  CV_Assert(from.type() == CV_32FC1 && side % 2 == 1 && from.data != to.data);
  to.create(from.size(), CV_32FC1);
  const int half = side / 2;
  const auto width = static_cast<std::size_t>(from.cols);
  const float share = 1.0F / static_cast<float>(side * side);
  std::vector<float> columns(width + static_cast<std::size_t>(2 * half));
  float* const inside = columns.data() + half;
  for (int y = 0; y < from.rows; ++y) {
    std::fill_n(inside, width, 0.0F);
    for (int v = y - half; v <= y + half; ++v) {
      const int row = cv::borderInterpolate(v, from.rows, border);
      if (row >= 0) add_run(from.ptr<float>(row), width, inside);
    }
    for (int k = 1; k <= half; ++k) {
      const int left = cv::borderInterpolate(-k, from.cols, border);
      const int right = cv::borderInterpolate(from.cols - 1 + k, from.cols, border);
      inside[-k] = left < 0 ? 0.0F : inside[left];
      inside[from.cols - 1 + k] = right < 0 ? 0.0F : inside[right];
    }
    auto* out = to.ptr<float>(y);
    std::fill_n(out, width, 0.0F);
    for (int k = 0; k < side; ++k) add_run(columns.data() + k, width, out);
    scale_run(share, width, out);
  }
}

}  // namespace trunnion

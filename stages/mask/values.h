// Pixel values and the backdrop behind them, as the fine steps of the mask stage read them.
#pragma once

#include <algorithm>
#include <limits>
#include <opencv2/core.hpp>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

using Vec3 = cv::Vec3f;

// Values 0..1 as the file holds them; grey is spread over three channels.
template <typename T>
Vec3 value_of(const T* pixel, int channels) {
  constexpr float kScale = 1.0F / static_cast<float>(std::numeric_limits<T>::max());
  if (channels == 1) return Vec3::all(kScale * static_cast<float>(pixel[0]));
  return {kScale * static_cast<float>(pixel[0]), kScale * static_cast<float>(pixel[1]),
          kScale * static_cast<float>(pixel[2])};
}

// Bilinear value of a block map at a full-resolution pixel.
inline Vec3 at_pixel(const cv::Mat& blocks, int side, int x, int y) {
  if (side == 1) return blocks.ptr<Vec3>(y)[x];
  const float u = std::clamp((static_cast<float>(x) + 0.5F) / static_cast<float>(side) - 0.5F, 0.0F,
                             static_cast<float>(blocks.cols - 1));
  const float v = std::clamp((static_cast<float>(y) + 0.5F) / static_cast<float>(side) - 0.5F, 0.0F,
                             static_cast<float>(blocks.rows - 1));
  const int i = std::min(static_cast<int>(u), std::max(0, blocks.cols - 2));
  const int j = std::min(static_cast<int>(v), std::max(0, blocks.rows - 2));
  const int i1 = std::min(i + 1, blocks.cols - 1);
  const int j1 = std::min(j + 1, blocks.rows - 1);
  const float fu = u - static_cast<float>(i);
  const float fv = v - static_cast<float>(j);
  const Vec3* above = blocks.ptr<Vec3>(j);
  const Vec3* below = blocks.ptr<Vec3>(j1);
  return (1 - fv) * ((1 - fu) * above[i] + fu * above[i1]) +
         fv * ((1 - fu) * below[i] + fu * below[i1]);
}

// Backdrop and noise of single pixels, values 0..1.
class PixelBackdrop {
 public:
  PixelBackdrop(const BlockContrast& blocks, const SurveyResult& survey)
      : side_(blocks.side),
        noise_{static_cast<float>(survey.noise.at_zero / survey.full_scale / survey.full_scale),
               static_cast<float>(survey.noise.per_level / survey.full_scale)} {
    blocks.backdrop.convertTo(blocks_, CV_32F, 1.0 / survey.full_scale);
  }
  [[nodiscard]] Vec3 at(int x, int y) const { return at_pixel(blocks_, side_, x, y); }
  [[nodiscard]] float variance(float value) const { return noise_.variance(value); }

 private:
  cv::Mat blocks_;
  int side_;
  NoiseModelOf<float> noise_;  // values 0..1
};

}  // namespace trunnion::mask

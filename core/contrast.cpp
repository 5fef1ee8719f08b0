#include "core/contrast.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace trunnion {

const std::array<float, 65536>& linear_light() {
  static const std::array<float, 65536> table = [] {
    std::array<float, 65536> values{};
    for (std::size_t i = 0; i < values.size(); ++i) {
      const double v = static_cast<double>(i) / 65535.0;
      values[i] = static_cast<float>(v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4));
    }
    return values;
  }();
  return table;
}

cv::Mat to_lab(const cv::Mat& image, double full_scale) {
  cv::Mat scaled;
  image.convertTo(scaled, CV_16U, 65535.0 / full_scale);
  cv::Mat bgr = scaled;
  if (image.channels() == 1) cv::cvtColor(scaled, bgr, cv::COLOR_GRAY2BGR);
  if (image.channels() == 4) cv::cvtColor(scaled, bgr, cv::COLOR_BGRA2BGR);
  // The library's own sRGB path interpolates in a coarse grid and loses the darks.
  const std::array<float, 65536>& linear = linear_light();
  cv::Mat light(bgr.size(), CV_32FC3);
  for (int y = 0; y < bgr.rows; ++y) {
    const auto* from = bgr.ptr<std::uint16_t>(y);
    auto* to = light.ptr<float>(y);
    for (int x = 0; x < 3 * bgr.cols; ++x) to[x] = linear[from[x]];
  }
  cv::cvtColor(light, light, cv::COLOR_LBGR2Lab);
  return light;
}

float contrast(const cv::Vec3f& lab, const cv::Vec3f& backdrop_lab,
               const ContrastOptions& options) {
  const float l = lab[0] + 16.0F;
  const float lb = backdrop_lab[0] + 16.0F;
  const float chroma2 = backdrop_lab[1] * backdrop_lab[1] + backdrop_lab[2] * backdrop_lab[2];
  const float norm = std::sqrt(lb * lb + chroma2);
  const float projected = (l * lb + lab[1] * backdrop_lab[1] + lab[2] * backdrop_lab[2]) / norm;
  const float along = projected - norm;
  const float length2 = l * l + lab[1] * lab[1] + lab[2] * lab[2];
  const float across2 = std::max(0.0F, length2 - projected * projected);
  const float colour = std::clamp((std::sqrt(chroma2) - options.neutral_chroma) /
                                      (options.coloured_chroma - options.neutral_chroma),
                                  0.0F, 1.0F);
  const float forgiven = along < 0 ? options.shadow_weight : options.spill_weight;
  const float weight = 1.0F + colour * (forgiven - 1.0F);
  return std::sqrt(across2 + weight * weight * along * along);
}

cv::Mat contrast(const cv::Mat& lab, const cv::Mat& backdrop_lab, const ContrastOptions& options) {
  cv::Mat result(lab.size(), CV_32FC1);
  for (int y = 0; y < lab.rows; ++y) {
    const auto* pixel = lab.ptr<cv::Vec3f>(y);
    const auto* backdrop = backdrop_lab.ptr<cv::Vec3f>(y);
    auto* out = result.ptr<float>(y);
    for (int x = 0; x < lab.cols; ++x) out[x] = contrast(pixel[x], backdrop[x], options);
  }
  return result;
}

cv::Mat contrast_noise(const cv::Mat& backdrop, double full_scale, double noise_at_zero,
                       double noise_per_level) {
  const cv::Mat lab = to_lab(backdrop, full_scale);
  cv::Mat variance = cv::Mat::zeros(backdrop.size(), CV_32FC1);
  for (int channel = 0; channel < 3; ++channel) {
    cv::Mat shifted = backdrop.clone();
    for (int y = 0; y < shifted.rows; ++y) {
      auto* row = shifted.ptr<cv::Vec3f>(y);
      for (int x = 0; x < shifted.cols; ++x) {
        const double level = std::max(0.0F, row[x][channel]);
        row[x][channel] += static_cast<float>(std::sqrt(noise_at_zero + noise_per_level * level));
      }
    }
    const cv::Mat moved = contrast(to_lab(shifted, full_scale), lab);
    variance += moved.mul(moved);
  }
  cv::Mat sigma;
  cv::sqrt(variance, sigma);
  return sigma;
}

}  // namespace trunnion

#include "core/contrast.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

#include "core/vector_code.h"

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

namespace {

[[gnu::always_inline]] inline float contrast_of(float l, float a, float b, float behind_l,
                                                float behind_a, float behind_b,
                                                const ContrastOptions& options) {
  const float up = l + 16.0F;
  const float behind_up = behind_l + 16.0F;
  const float chroma2 = behind_a * behind_a + behind_b * behind_b;
  const float norm = std::sqrt(behind_up * behind_up + chroma2);
  const float projected = (up * behind_up + a * behind_a + b * behind_b) / norm;
  const float along = projected - norm;
  const float length2 = up * up + a * a + b * b;
  const float rest2 = length2 - projected * projected;
  const float across2 = rest2 > 0.0F ? rest2 : 0.0F;
  const float share = (std::sqrt(chroma2) - options.neutral_chroma) /
                      (options.coloured_chroma - options.neutral_chroma);
  const float some = share > 0.0F ? share : 0.0F;
  const float colour = some < 1.0F ? some : 1.0F;
  const float forgiven = along < 0 ? options.shadow_weight : options.spill_weight;
  const float weight = 1.0F + colour * (forgiven - 1.0F);
  return std::sqrt(across2 + weight * weight * along * along);
}

TRUNNION_VECTOR_CODE
void contrast_row(const float* __restrict lab, const float* __restrict behind, std::size_t count,
                  const ContrastOptions& options, float* __restrict out) {
  const ContrastOptions how = options;
  for (std::size_t x = 0; x < count; ++x) {
    out[x] = contrast_of(lab[3 * x], lab[3 * x + 1], lab[3 * x + 2], behind[3 * x],
                         behind[3 * x + 1], behind[3 * x + 2], how);
  }
}

}  // namespace

bool is_coloured(const cv::Vec3f& backdrop_lab, const ContrastOptions& options) {
  return std::hypot(backdrop_lab[1], backdrop_lab[2]) >=
         0.5F * (options.neutral_chroma + options.coloured_chroma);
}

float contrast(const cv::Vec3f& lab, const cv::Vec3f& backdrop_lab,
               const ContrastOptions& options) {
  return contrast_of(lab[0], lab[1], lab[2], backdrop_lab[0], backdrop_lab[1], backdrop_lab[2],
                     options);
}

cv::Mat contrast(const cv::Mat& lab, const cv::Mat& backdrop_lab, const ContrastOptions& options) {
  cv::Mat result(lab.size(), CV_32FC1);
  for (int y = 0; y < lab.rows; ++y) {
    contrast_row(lab.ptr<float>(y), backdrop_lab.ptr<float>(y), static_cast<std::size_t>(lab.cols),
                 options, result.ptr<float>(y));
  }
  return result;
}

cv::Mat contrast_noise(const cv::Mat& backdrop, const cv::Mat& backdrop_lab, double full_scale,
                       double noise_at_zero, double noise_per_level) {
  cv::Mat levels;
  cv::max(backdrop, cv::Scalar::all(0), levels);
  cv::Mat sigmas = levels * noise_per_level + cv::Scalar::all(noise_at_zero);
  cv::sqrt(sigmas, sigmas);
  const cv::Mat raised = backdrop + sigmas;
  cv::Mat variance = cv::Mat::zeros(backdrop.size(), CV_32FC1);
  for (int channel = 0; channel < 3; ++channel) {
    cv::Mat shifted = backdrop.clone();
    const int from_to[] = {channel, channel};
    cv::mixChannels(&raised, 1, &shifted, 1, from_to, 1);
    const cv::Mat moved = contrast(to_lab(shifted, full_scale), backdrop_lab);
    variance += moved.mul(moved);
  }
  cv::Mat sigma;
  cv::sqrt(variance, sigma);
  return sigma;
}

}  // namespace trunnion

#include "core/contrast.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

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

namespace {

// Cube root of a number from 0.008 to some more than 1, to the last bits of a float: exponent and
// mantissa divided by three as one number, then two of Halley's steps.
[[gnu::always_inline]] inline float cube_root(float value) {
  const auto bits = static_cast<float>(std::bit_cast<std::int32_t>(value));
  constexpr float kTwoThirdsOfBias = 709921077.0F;
  float root =
      std::bit_cast<float>(static_cast<std::int32_t>(bits * (1.0F / 3.0F) + kTwoThirdsOfBias));
  for (int step = 0; step < 2; ++step) {
    const float cube = root * root * root;
    root *= (cube + 2.0F * value) / (2.0F * cube + value);
  }
  return root;
}

// CIE 15: the cube root with its linear toe.
[[gnu::always_inline]] inline float lab_curve(float value) {
  constexpr float kToe = 0.008856F;
  const float above = cube_root(value > kToe ? value : kToe);
  const float below = 7.787F * value + 16.0F / 116.0F;
  return value > kToe ? above : below;
}

// Linear light (B, G, R of IEC 61966-2-1, white D65) to L*, a*, b*.
TRUNNION_VECTOR_CODE [[gnu::noinline]] void lab_row(const float* __restrict light,
                                                    std::size_t count, float* __restrict lab) {
  for (std::size_t x = 0; x < count; ++x) {
    const float b = light[3 * x];
    const float g = light[3 * x + 1];
    const float r = light[3 * x + 2];
    const float fx = lab_curve(0.433953F * r + 0.376219F * g + 0.189828F * b);
    const float fy = lab_curve(0.212671F * r + 0.715160F * g + 0.072169F * b);
    const float fz = lab_curve(0.017758F * r + 0.109477F * g + 0.872765F * b);
    lab[3 * x] = 116.0F * fy - 16.0F;
    lab[3 * x + 1] = 500.0F * (fx - fy);
    lab[3 * x + 2] = 200.0F * (fy - fz);
  }
}

}  // namespace

cv::Mat to_lab(const cv::Mat& image, double full_scale) {
  cv::Mat scaled;
  image.convertTo(scaled, CV_16U, 65535.0 / full_scale);
  cv::Mat bgr = scaled;
  if (image.channels() == 1) cv::cvtColor(scaled, bgr, cv::COLOR_GRAY2BGR);
  if (image.channels() == 4) cv::cvtColor(scaled, bgr, cv::COLOR_BGRA2BGR);
  // OpenCV's sRGB path interpolates in a coarse grid and loses the darks; its linear one took three
  // times as long.
  const std::array<float, 65536>& linear = linear_light();
  const auto width = static_cast<std::size_t>(bgr.cols);
  std::vector<float> light(3 * width);
  cv::Mat lab(bgr.size(), CV_32FC3);
  for (int y = 0; y < bgr.rows; ++y) {
    const auto* from = bgr.ptr<std::uint16_t>(y);
    for (std::size_t x = 0; x < light.size(); ++x) light[x] = linear[from[x]];
    lab_row(light.data(), width, lab.ptr<float>(y));
  }
  return lab;
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
                       const NoiseModel& noise) {
  cv::Mat levels;
  cv::max(backdrop, cv::Scalar::all(0), levels);
  cv::Mat sigmas = levels * noise.per_level + cv::Scalar::all(noise.at_zero);
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

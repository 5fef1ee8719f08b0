// Perceptual contrast (CIELAB) of a pixel against its backdrop, separating shadow from specimen.
//
// Values are turned into CIE L*a*b* (CIE 15; sensor values are taken as sRGB-encoded, IEC
// 61966-2-1). With v = (L + 16, a, b), dimming the light on a surface by the factor s scales v by
// s^(1/3) above the linear toe of L*, since L + 16, a and b are all differences of cube roots. So a
// shadow or a spill moves a pixel along the ray through v of its backdrop:
//   along  = <v_pixel, v_b> / |v_b| - |v_b|
//   across = | v_pixel - (v_pixel . v_b) v_b / |v_b|^2 |
//   contrast = sqrt(across^2 + (weight along)^2)
// Where the backdrop has colour, `weight` < 1 forgives shadow and spill, because the specimen
// stands out across the ray; on a neutral backdrop along is all there is and the weight is 1.
#pragma once

#include <array>
#include <opencv2/core.hpp>

namespace trunnion {

struct ContrastOptions {
  float shadow_weight = 0.15F;    // of `along` on a coloured backdrop where darker: dark neutral
                                  // parts stand out across the ray
  float spill_weight = 0.4F;      // where brighter
  float neutral_chroma = 8.0F;    // below: weight 1; a printer's neutral grey lies within this
  float coloured_chroma = 25.0F;  // above: shadow_weight; in between linear
};

// Whether a backdrop has so much colour that colour separates what is in front of it better than
// brightness: the middle between neutral and coloured.
bool is_coloured(const cv::Vec3f& backdrop_lab, const ContrastOptions& options = {});

// Linear light (0..1) of the sensor value i of 65535.
const std::array<float, 65536>& linear_light();

// 8U, 16U or 32F sensor values, 1, 3 or 4 channels (BGR, alpha ignored) -> CV_32FC3 L, a, b.
cv::Mat to_lab(const cv::Mat& image, double full_scale);

// Contrast of two Lab images of equal size, CV_32FC1.
cv::Mat contrast(const cv::Mat& lab, const cv::Mat& backdrop_lab,
                 const ContrastOptions& options = {});

float contrast(const cv::Vec3f& lab, const cv::Vec3f& backdrop_lab,
               const ContrastOptions& options = {});

// 1 sigma of the contrast of a backdrop pixel whose sensor values have the variance
// noise_at_zero + noise_per_level * value in each channel, CV_32FC1 of the size of `backdrop`
// (CV_32FC3). `backdrop_lab`: the same by to_lab.
cv::Mat contrast_noise(const cv::Mat& backdrop, const cv::Mat& backdrop_lab, double full_scale,
                       double noise_at_zero, double noise_per_level);

}  // namespace trunnion

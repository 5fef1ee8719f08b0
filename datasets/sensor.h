// What lens and sensor add to a rendered view: vignetting, exposure, dust fixed to the sensor, hot
// pixels, noise, rounding to 8 or 16 bit.
//
//   level = colour * exposure * vignetting * dust        (1 = full scale)
//   variance of the noise = noise_floor + noise_slope * level
// Levels are linear in the light; files hold them as they are.
#pragma once

#include <array>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

#include "core/camera.h"

namespace trunnion::demo {

// A soft dark disc: transmission 1 - contrast inside, half of that at diameter / 2.
struct DustSpot {
  double x_px = 0;
  double y_px = 0;
  double diameter_px = 0;
  double contrast = 0;
};
struct HotPixel {
  int x_px = 0;
  int y_px = 0;
  double level = 0;  // added, share of full scale
};

struct Sensor {
  std::uint64_t seed = 1;
  int bits = 16;
  double vignetting = 0.14;     // light lost in the corner of the frame
  double noise_floor = 3.6e-6;  // sigma 0.19 % of full scale in the dark
  double noise_slope = 3.2e-5;  // sigma 0.6 % at full scale: a low sensitivity setting
  double trail_fraction = 0;    // dust smeared radially by this share of its radius, each way
  std::vector<DustSpot> dust;
  std::vector<HotPixel> hot_pixels;
};

struct Exposure {
  double gain = 1;
  std::array<double, 3> white_balance{1, 1, 1};  // BGR
  bool clean = false;  // no dust, no hot pixels, no noise: what a perfect sensor would give
};

// Dust spots and hot pixels over the frame, apart from each other.
void scatter_dust(Sensor& sensor, const Camera& camera);

// `image` numbers the exposure for the noise. `colour` is CV_32FC3; the result is CV_8UC3 or
// CV_16UC3.
cv::Mat expose(const cv::Mat& colour, const Sensor& sensor, const Camera& camera,
               std::uint64_t image, const Exposure& exposure = {});

}  // namespace trunnion::demo

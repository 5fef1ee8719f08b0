// A small turning specimen with known truth, for tests of survey, repair and mask: textured
// ellipsoids and bristles 1.5 px thin on a vertical axis, parallel projection, linear light encoded
// as sRGB, photon noise, vignetting, an uneven backdrop that stands still, dust on the sensor.
#pragma once

#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

namespace trunnion::test {

struct TrueSpot {
  double x_px = 0;
  double y_px = 0;
  double diameter_px = 0;
  double contrast = 0;  // of the encoded values, negative is darker
};

struct TurningScene {
  int width_px = 480;
  int height_px = 400;
  int stations = 24;
  int bits = 16;
  cv::Vec3d backdrop{0.02, 0.02, 0.02};  // linear light, BGR
  cv::Vec3d body{0.15, 0.25, 0.40};      // linear light, BGR
  double texture = 0.35;                 // relative amplitude
  double noise = 0.004;  // sigma at full scale, encoded; falls with the root of the level
  double exposure = 1.0;
  std::uint64_t seed = 1;
  std::vector<TrueSpot> dust;

  struct Picture {
    cv::Mat image;     // 8UC3 or 16UC3 with dust
    cv::Mat clean;     // the same without dust, same noise
    cv::Mat coverage;  // CV_32FC1, 0..1
    cv::Mat bristles;  // CV_32FC1, part of the coverage that bristles alone make
  };
  [[nodiscard]] Picture picture(int station) const;
};

}  // namespace trunnion::test

#include "datasets/sensor.h"

#include <gtest/gtest.h>

#include <cmath>

namespace trunnion::demo {
namespace sensor_test {

Camera frame() {
  Camera camera;
  camera.width_px = 300;
  camera.height_px = 200;
  return camera;
}

TEST(Sensor, NoiseGrowsWithTheLevelAsStated) {
  for (const int bits : {8, 16}) {
    Sensor sensor;
    sensor.bits = bits;
    sensor.vignetting = 0.0;
    const double full = bits == 16 ? 65535.0 : 255.0;
    for (const double level : {0.1, 0.4, 0.8}) {
      const cv::Mat flat(200, 300, CV_32FC3, cv::Scalar::all(level));
      cv::Scalar mean;
      cv::Scalar deviation;
      cv::meanStdDev(expose(flat, sensor, frame(), 5), mean, deviation);
      const double rounding = 1.0 / (12.0 * full * full);  // of whole file values
      const double sigma = std::sqrt(sensor.noise_floor + sensor.noise_slope * level + rounding);
      for (int c = 0; c < 3; ++c) {
        EXPECT_NEAR(mean[c] / full, level, 6.0 * sigma / std::sqrt(60000.0) + 1e-6);
        EXPECT_NEAR(deviation[c] / full, sigma, 0.02 * sigma);
      }
    }
  }
}

TEST(Sensor, ImagesHaveTheirOwnNoise) {
  Sensor sensor;
  sensor.vignetting = 0.0;
  const cv::Mat flat(200, 300, CV_32FC3, cv::Scalar::all(0.5));
  const cv::Mat a = expose(flat, sensor, frame(), 1);
  const cv::Mat b = expose(flat, sensor, frame(), 2);
  cv::Mat x;
  cv::Mat y;
  a.convertTo(x, CV_64F, 1.0, -0.5 * 65535);
  b.convertTo(y, CV_64F, 1.0, -0.5 * 65535);
  // Correlation of 180 000 independent values: sigma 0.0024.
  EXPECT_LT(std::abs(x.dot(y)) / (cv::norm(x) * cv::norm(y)), 0.012);
  EXPECT_EQ(cv::norm(a, expose(flat, sensor, frame(), 1), cv::NORM_INF), 0.0);
}

TEST(Sensor, DustHasItsContrastAndSize) {
  Sensor sensor;
  sensor.vignetting = 0.0;
  sensor.noise_floor = 0.0;
  sensor.noise_slope = 0.0;
  sensor.dust.push_back({100.0, 80.0, 10.0, 0.12});
  const cv::Mat flat(200, 300, CV_32FC3, cv::Scalar::all(0.5));
  const cv::Mat image = expose(flat, sensor, frame(), 0);
  const double surround = image.at<cv::Vec3w>(20, 20)[1];
  EXPECT_NEAR(image.at<cv::Vec3w>(80, 100)[1] / surround, 0.88, 1e-4);
  EXPECT_NEAR(image.at<cv::Vec3w>(80, 105)[1] / surround, 0.94, 1e-4);  // half at diameter / 2
  EXPECT_EQ(image.at<cv::Vec3w>(80, 108)[1], surround);
  EXPECT_EQ(cv::norm(expose(flat, sensor, frame(), 0, {.clean = true}),
                     cv::Mat(200, 300, CV_16UC3, cv::Scalar::all(surround)), cv::NORM_INF),
            0.0);
  // Trails run along the line through the centre, and take as much light over all.
  sensor.trail_fraction = 0.1;
  const cv::Mat trail = expose(flat, sensor, frame(), 0);
  EXPECT_GT(trail.at<cv::Vec3w>(80, 100)[1], image.at<cv::Vec3w>(80, 100)[1]);
  EXPECT_LT(trail.at<cv::Vec3w>(78, 93)[1], surround);
  EXPECT_EQ(trail.at<cv::Vec3w>(90, 96)[1], surround);
  EXPECT_NEAR(cv::mean(trail)[0], cv::mean(image)[0], 0.5);
}

TEST(Sensor, ScatteredDustIsWhatMasksAreJudgedBy) {
  Sensor sensor;
  Camera camera = frame();
  camera.width_px = 720;
  camera.height_px = 480;
  scatter_dust(sensor, camera);
  int harmful = 0;
  for (const DustSpot& spot : sensor.dust) {
    if (spot.diameter_px >= 4.0 && spot.contrast >= 0.03) ++harmful;
    EXPECT_LE(spot.contrast, 0.20);
  }
  EXPECT_GE(harmful, 20);
  EXPECT_LT(harmful, static_cast<int>(sensor.dust.size()));
  EXPECT_FALSE(sensor.hot_pixels.empty());
}

}  // namespace sensor_test
}  // namespace trunnion::demo

#include "datasets/sensor.h"

#include <oneapi/tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "datasets/random.h"
#include "datasets/smooth_step.h"

namespace trunnion::demo {
namespace {

// Share of the light that one spot takes at a distance from its centre.
double shadow_of(const DustSpot& spot, double distance) {
  const double radius = 0.5 * spot.diameter_px;
  return spot.contrast * (1.0 - smooth_step(0.6 * radius, 1.4 * radius, distance));
}

// Transmission of the dust over the frame.
cv::Mat dust_map(const Sensor& sensor, const Camera& camera) {
  cv::Mat map(camera.height_px, camera.width_px, CV_32F, cv::Scalar(1.0));
  const double cx = 0.5 * (camera.width_px - 1);
  const double cy = 0.5 * (camera.height_px - 1);
  for (const DustSpot& spot : sensor.dust) {
    const double from_centre = std::hypot(spot.x_px - cx, spot.y_px - cy);
    const double trail = sensor.trail_fraction * from_centre;
    const double reach = 0.7 * spot.diameter_px + trail + 1.0;
    const int steps = trail > 0.0 ? 2 * static_cast<int>(std::ceil(2.0 * trail)) + 1 : 1;
    const int top = std::max(0, static_cast<int>(std::floor(spot.y_px - reach)));
    const int bottom = std::min(camera.height_px - 1, static_cast<int>(spot.y_px + reach + 1));
    const int left = std::max(0, static_cast<int>(std::floor(spot.x_px - reach)));
    const int right = std::min(camera.width_px - 1, static_cast<int>(spot.x_px + reach + 1));
    for (int y = top; y <= bottom; ++y) {
      for (int x = left; x <= right; ++x) {
        double taken = 0.0;
        for (int i = 0; i < steps; ++i) {
          const double s =
              steps > 1 ? 1.0 + sensor.trail_fraction * (2.0 * i / (steps - 1) - 1.0) : 1.0;
          taken += shadow_of(
              spot, std::hypot(x - cx - s * (spot.x_px - cx), y - cy - s * (spot.y_px - cy)));
        }
        map.at<float>(y, x) *= static_cast<float>(1.0 - taken / steps);
      }
    }
  }
  return map;
}

}  // namespace

void scatter_dust(Sensor& sensor, const Camera& camera) {
  Draws draws(sensor.seed, 21);
  constexpr int kSpots = 30;
  constexpr double kGap_px = 14.0;
  for (int tries = 0; tries < 3000 && static_cast<int>(sensor.dust.size()) < kSpots; ++tries) {
    DustSpot spot;
    spot.x_px = draws.uniform(12.0, camera.width_px - 13.0);
    spot.y_px = draws.uniform(12.0, camera.height_px - 13.0);
    const std::size_t made = sensor.dust.size();
    if (made % 6 == 5) {  // too small or too faint to matter
      spot.diameter_px = draws.uniform(2.0, 3.5);
      spot.contrast = draws.uniform(0.015, 0.06);
    } else {
      const double u = draws.uniform(0.0, 1.0);
      spot.diameter_px = 4.2 + 11.0 * u * u;
      spot.contrast = draws.uniform(0.035, 0.20);
    }
    const bool apart =
        std::all_of(sensor.dust.begin(), sensor.dust.end(), [&spot](const DustSpot& other) {
          return std::hypot(spot.x_px - other.x_px, spot.y_px - other.y_px) >
                 kGap_px + 0.7 * (spot.diameter_px + other.diameter_px);
        });
    if (apart) sensor.dust.push_back(spot);
  }
  for (int i = 0; i < 4; ++i) {
    sensor.hot_pixels.push_back({static_cast<int>(draws.uniform(4.0, camera.width_px - 5.0)),
                                 static_cast<int>(draws.uniform(4.0, camera.height_px - 5.0)),
                                 draws.uniform(0.12, 0.4)});
  }
}

cv::Mat expose(const cv::Mat& colour, const Sensor& sensor, const Camera& camera,
               std::uint64_t image, const Exposure& exposure) {
  const cv::Mat dust = exposure.clean ? cv::Mat() : dust_map(sensor, camera);
  const double cx = 0.5 * (camera.width_px - 1);
  const double cy = 0.5 * (camera.height_px - 1);
  const double corner = cx * cx + cy * cy;
  const double full = sensor.bits == 16 ? 65535.0 : 255.0;
  cv::Mat file(colour.size(), sensor.bits == 16 ? CV_16UC3 : CV_8UC3);
  const auto added_at = [&](int x, int y) {
    double added = 0.0;
    for (const HotPixel& hot : sensor.hot_pixels) {
      if (hot.x_px == x && hot.y_px == y) added += hot.level;
    }
    return added;
  };
  const std::uint64_t key = hash_of(sensor.seed, 31, image);
  tbb::parallel_for(0, colour.rows, [&](int y) {
    const bool hot_row =
        !exposure.clean && std::any_of(sensor.hot_pixels.begin(), sensor.hot_pixels.end(),
                                       [y](const HotPixel& hot) { return hot.y_px == y; });
    for (int x = 0; x < colour.cols; ++x) {
      const double r2 = ((x - cx) * (x - cx) + (y - cy) * (y - cy)) / corner;
      double gain = exposure.gain * (1.0 - sensor.vignetting * r2);
      if (!exposure.clean) gain *= static_cast<double>(dust.at<float>(y, x));
      const double added = hot_row ? added_at(x, y) : 0.0;
      const auto pixel = static_cast<std::uint64_t>(y) * static_cast<std::uint64_t>(colour.cols) +
                         static_cast<std::uint64_t>(x);
      for (int c = 0; c < 3; ++c) {
        double v = (static_cast<double>(colour.at<cv::Vec3f>(y, x)[c]) + added) * gain *
                   exposure.white_balance[static_cast<std::size_t>(c)];
        if (!exposure.clean) {
          v += std::sqrt(sensor.noise_floor + sensor.noise_slope * std::max(0.0, v)) *
               bell(mix(key + pixel * 3 + static_cast<std::uint64_t>(c)));
        }
        const double rounded = std::floor(std::clamp(v, 0.0, 1.0) * full + 0.5);
        if (sensor.bits == 16) {
          file.at<cv::Vec3w>(y, x)[c] = static_cast<std::uint16_t>(rounded);
        } else {
          file.at<cv::Vec3b>(y, x)[c] = static_cast<std::uint8_t>(rounded);
        }
      }
    }
  });
  return file;
}

}  // namespace trunnion::demo

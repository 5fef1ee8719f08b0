#include "tests/support/turning_scene.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <random>

namespace trunnion::test {
namespace {

constexpr int kSub = 4;  // sub-pixels a side

struct Ellipsoid {
  cv::Vec3d centre;  // units of the image height; z is up, the axis x = y = 0
  cv::Vec3d radii;
};
constexpr double kThin = 0.75;  // px, half thickness of a bristle

const std::array<Ellipsoid, 4> kBody{{{{0.0, 0.0, 0.0}, {0.16, 0.13, 0.24}},
                                      {{0.16, 0.02, 0.12}, {0.12, 0.08, 0.09}},
                                      {{-0.14, 0.10, -0.16}, {0.10, 0.07, 0.07}},
                                      {{0.02, -0.05, 0.26}, {0.07, 0.07, 0.07}}}};
struct Bristle {
  cv::Vec3d from;
  cv::Vec3d to;
};
const std::array<Bristle, 6> kBristles{{{{0.26, 0.02, 0.12}, {0.38, 0.06, 0.22}},
                                        {{0.10, 0.0, 0.18}, {0.24, 0.02, 0.33}},
                                        {{-0.14, 0.10, -0.16}, {-0.36, 0.12, -0.22}},
                                        {{0.02, -0.05, 0.26}, {-0.16, -0.10, 0.38}},
                                        {{-0.10, 0.0, 0.05}, {-0.30, 0.05, 0.14}},
                                        {{0.0, 0.10, -0.10}, {0.05, 0.32, -0.05}}}};

double encode(double light) {
  light = std::clamp(light, 0.0, 1.0);
  return light <= 0.0031308 ? 12.92 * light : 1.055 * std::pow(light, 1.0 / 2.4) - 0.055;
}

// Smooth solid texture, -1..1, fixed to the specimen.
double solid(const cv::Vec3d& p) {
  return 0.5 * std::sin(60 * p[0] + 2 * std::sin(37 * p[1])) * std::sin(55 * p[2] + 40 * p[1]) +
         0.5 * std::sin(130 * p[1] + 90 * p[2]) * std::sin(140 * p[0] - 70 * p[2]);
}

double segment_distance(double x, double y, double ax, double ay, double bx, double by) {
  const double dx = bx - ax;
  const double dy = by - ay;
  const double t =
      std::clamp(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy + 1e-12), 0.0, 1.0);
  return std::hypot(x - ax - t * dx, y - ay - t * dy);
}

struct Hit {
  bool body = false;
  bool bristle = false;
  double shade = 0;
};

}  // namespace

TurningScene::Picture TurningScene::picture(int station) const {
  const double turn = 2.0 * std::numbers::pi * station / stations;
  const double c = std::cos(turn);
  const double s = std::sin(turn);
  const double unit = height_px;
  const double cx = 0.5 * (width_px - 1);
  const double cy = 0.5 * (height_px - 1) + 0.03 * unit;
  const auto across = [&](const cv::Vec3d& p) { return cx + unit * (c * p[0] - s * p[1]); };
  const auto down = [&](const cv::Vec3d& p) { return cy - unit * p[2]; };

  const auto look = [&](double x, double y) {
    Hit hit;
    // World ray: u = c X - s Y fixed, v = s X + c Y free (towards the camera), z fixed.
    const double u = (x - cx) / unit;
    const double z = -(y - cy) / unit;
    double nearest = -1e9;
    for (const Ellipsoid& e : kBody) {
      const cv::Vec3d o(c * u - e.centre[0], -s * u - e.centre[1], z - e.centre[2]);
      const cv::Vec3d d(s, c, 0);
      double A = 0;
      double B = 0;
      double C = -1;
      for (int k = 0; k < 3; ++k) {
        const double r2 = e.radii[k] * e.radii[k];
        A += d[k] * d[k] / r2;
        B += o[k] * d[k] / r2;
        C += o[k] * o[k] / r2;
      }
      const double D = B * B - A * C;
      if (D < 0) continue;
      const double v = (-B + std::sqrt(D)) / A;
      if (v < nearest) continue;
      nearest = v;
      const cv::Vec3d p = o + v * d;
      cv::Vec3d n(p[0] / (e.radii[0] * e.radii[0]), p[1] / (e.radii[1] * e.radii[1]),
                  p[2] / (e.radii[2] * e.radii[2]));
      n /= cv::norm(n);
      const double toward = n[0] * s + n[1] * c;
      hit.body = true;
      hit.shade = (0.55 + 0.35 * std::max(0.0, toward) + 0.1 * n[2]) *
                  (1.0 + texture * solid(p + e.centre));
    }
    if (!hit.body) {
      for (const Bristle& b : kBristles) {
        if (segment_distance(x, y, across(b.from), down(b.from), across(b.to), down(b.to)) <
            kThin) {
          hit.bristle = true;
          hit.shade = 0.8;
        }
      }
    }
    return hit;
  };

  Picture picture;
  const cv::Size size(width_px, height_px);
  picture.coverage = cv::Mat::zeros(size, CV_32FC1);
  picture.bristles = cv::Mat::zeros(size, CV_32FC1);
  picture.image.create(size, bits == 16 ? CV_16UC3 : CV_8UC3);
  picture.clean.create(size, picture.image.type());
  const double full = bits == 16 ? 65535.0 : 255.0;
  std::mt19937_64 random(seed * 1000 + static_cast<std::uint64_t>(station));
  std::normal_distribution<double> normal;
  for (int y = 0; y < height_px; ++y) {
    for (int x = 0; x < width_px; ++x) {
      double covered = 0;
      double thin = 0;
      double shade = 0;
      for (int k = 0; k < kSub * kSub; ++k) {
        const Hit hit = look(x + (k % kSub + 0.5) / kSub - 0.5, y + (k / kSub + 0.5) / kSub - 0.5);
        covered += hit.body || hit.bristle ? 1 : 0;
        thin += hit.bristle ? 1 : 0;
        shade += hit.shade;
      }
      covered /= kSub * kSub;
      thin /= kSub * kSub;
      shade /= kSub * kSub;
      picture.coverage.at<float>(y, x) = static_cast<float>(covered);
      picture.bristles.at<float>(y, x) = static_cast<float>(thin);
      const double rx = (x - cx) / width_px;
      const double ry = (y - cy) / width_px;
      const double falloff = 1.0 - 0.5 * (rx * rx + ry * ry);
      const double uneven = 1.0 + 0.25 * rx - 0.3 * ry;
      double transmission = 1;
      for (const TrueSpot& spot : dust) {
        // A disc with a soft rim of a fifth of its diameter; the diameter is that at half depth.
        const double r = std::hypot(x - spot.x_px, y - spot.y_px);
        const double rim = 0.1 * spot.diameter_px;
        transmission *= 1.0 + spot.contrast / (1.0 + std::exp((r - 0.5 * spot.diameter_px) / rim));
      }
      for (int ch = 0; ch < 3; ++ch) {
        const double light =
            exposure * falloff * (shade * body[ch] + (1 - covered) * uneven * backdrop[ch]);
        const double value = encode(light);
        const double random_part = noise * std::sqrt(value + 0.01) * normal(random);
        const double clean = std::clamp(full * (value + random_part), 0.0, full);
        const double dusty = std::clamp(full * (value * transmission + random_part), 0.0, full);
        if (bits == 16) {
          picture.image.at<cv::Vec<std::uint16_t, 3>>(y, x)[ch] =
              static_cast<std::uint16_t>(std::lround(dusty));
          picture.clean.at<cv::Vec<std::uint16_t, 3>>(y, x)[ch] =
              static_cast<std::uint16_t>(std::lround(clean));
        } else {
          picture.image.at<cv::Vec3b>(y, x)[ch] = static_cast<std::uint8_t>(std::lround(dusty));
          picture.clean.at<cv::Vec3b>(y, x)[ch] = static_cast<std::uint8_t>(std::lround(clean));
        }
      }
    }
  }
  return picture;
}

}  // namespace trunnion::test

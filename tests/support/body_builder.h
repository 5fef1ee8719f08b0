// What the bodies of mask_bodies.h are put together from: solids with a material, hairs and loops.
#pragma once

#include <Eigen/Geometry>
#include <cmath>

#include "core/angle.h"
#include "core/pose.h"
#include "datasets/random.h"
#include "tests/support/mask_bodies.h"

namespace trunnion::test {

inline Eigen::Vector3d bgr(double r, double g, double b) {
  return {b, g, r};
}

class BodyBuilder {
 public:
  BodyBuilder(std::uint64_t seed, double pixel_mm) : draws(seed, 71), pixel_mm_(pixel_mm) {}

  void add(const demo::Solid& solid, const BodyMaterial& material) {
    parts.solids.push_back(solid);
    parts.materials.push_back(material);
  }
  // A tapering line through points.
  void line(demo::Part part, const std::vector<Eigen::Vector3d>& points, double first, double last,
            const BodyMaterial& material) {
    const auto n = static_cast<double>(points.size() - 1);
    for (std::size_t i = 0; i + 1 < points.size(); ++i) {
      const double ra = first + (last - first) * static_cast<double>(i) / n;
      const double rb = first + (last - first) * static_cast<double>(i + 1) / n;
      add(demo::round_cone(part, points[i], ra, points[i + 1], rb), material);
    }
  }
  // A hair of even width that bends once.
  void hair(const Eigen::Vector3d& root, const Eigen::Vector3d& outward, double length,
            double width_px, const BodyMaterial& material) {
    const Eigen::Vector3d bend = direction();
    const Eigen::Vector3d first = (outward + 0.3 * bend).normalized();
    const Eigen::Vector3d second = (first + 0.3 * bend).normalized();
    const Eigen::Vector3d middle = root + 0.5 * length * first;
    const double radius = 0.5 * width_px * pixel_mm_;
    add(demo::round_cone(demo::Part::bristle, root, radius, middle, radius), material);
    add(demo::round_cone(demo::Part::bristle, middle, radius, middle + 0.5 * length * second,
                         0.9 * radius),
        material);
  }
  void pin(double top, double radius) {
    for (double z = top; z > -14.0; z -= 1.0) {
      add(demo::round_cone(demo::Part::pin, {0, 0, z}, radius, {0, 0, z - 1.0}, radius),
          {bgr(0.34, 0.34, 0.35), 0.3, 0.9, 0.22});
    }
  }
  Eigen::Vector3d direction() {
    const double z = draws.uniform(-1, 1);
    const double turn = draws.uniform(-kPi, kPi);
    const double r = std::sqrt(std::max(0.0, 1.0 - z * z));
    return {r * std::cos(turn), r * std::sin(turn), z};
  }
  double hair_width() { return 0.25 + 2.35 * draws.uniform(0, 1) * draws.uniform(0, 1); }

  demo::Draws draws;
  BodyParts parts;

 private:
  double pixel_mm_;
};

}  // namespace trunnion::test

#include "datasets/footprint.h"

#include <algorithm>
#include <cmath>

namespace trunnion::demo {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

constexpr double kThinRadius_px = 6.0;

double pixels_per_mm(const Camera& camera, double depth) {
  return camera.projection == Projection::perspective ? camera.fx / depth : camera.fx;
}

double distance_to_segment(const Vector2d& p, const Vector2d& a, const Vector2d& b) {
  const Vector2d w = b - a;
  const double length = w.squaredNorm();
  const double s = length > 0.0 ? std::clamp((p - a).dot(w) / length, 0.0, 1.0) : 0.0;
  return (p - a - s * w).norm();
}

}  // namespace

bool Footprint::near(const Vector2d& pixel) const {
  return thin && distance_to_segment(pixel, from, to) < reach;
}

Footprint footprint_of(const Solid& solid, const Camera& camera, const Pose& pose) {
  Footprint print;
  print.box = {1e30, 1e30, -1e30, -1e30};
  const auto cover = [&](const Vector3d& world, double radius_mm) {
    const Vector3d at = pose * world;
    const Vector2d px = project(camera, at);
    const double r = radius_mm * pixels_per_mm(camera, at.z() - radius_mm) * 1.03 + 2.0;
    print.box.left = std::min(print.box.left, px.x() - r);
    print.box.top = std::min(print.box.top, px.y() - r);
    print.box.right = std::max(print.box.right, px.x() + r);
    print.box.bottom = std::max(print.box.bottom, px.y() + r);
    return px;
  };
  if (solid.shape == Solid::Shape::round_cone) {
    print.from = cover(solid.a, solid.radius_a);
    print.to = cover(solid.b, solid.radius_b);
    const double scale = pixels_per_mm(camera, (pose * solid.a).z());
    const double radius = std::max(solid.radius_a, solid.radius_b) * scale;
    print.thin = radius < kThinRadius_px;
    print.reach = radius * 1.03 + 0.85;  // half a pixel's diagonal and a little
    return print;
  }
  for (int corner = 0; corner < 8; ++corner) {
    const Vector3d sign((corner & 1) != 0 ? 1 : -1, (corner & 2) != 0 ? 1 : -1,
                        (corner & 4) != 0 ? 1 : -1);
    cover(solid.a + solid.half_box.cwiseProduct(sign), 0.0);
  }
  return print;
}

}  // namespace trunnion::demo

#include "core/camera.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <limits>

namespace trunnion {

bool Camera::distorts() const {
  return std::any_of(distortion.begin(), distortion.end(), [](double k) { return k != 0.0; });
}

Eigen::Vector2d distort(const Camera& camera, const Eigen::Vector2d& ideal) {
  const auto& [k1, k2, p1, p2, k3] = camera.distortion;
  const double x = ideal.x();
  const double y = ideal.y();
  const double r2 = x * x + y * y;
  const double radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
  return {x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
          y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y};
}

Eigen::Matrix2d distort_jacobian(const Camera& camera, const Eigen::Vector2d& ideal) {
  const auto& [k1, k2, p1, p2, k3] = camera.distortion;
  const double x = ideal.x();
  const double y = ideal.y();
  const double r2 = x * x + y * y;
  const double radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
  const double slope = k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3);  // d radial / d r2
  Eigen::Matrix2d jacobian;
  jacobian(0, 0) = radial + 2.0 * x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x;
  jacobian(0, 1) = 2.0 * x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y;
  jacobian(1, 0) = jacobian(0, 1);
  jacobian(1, 1) = radial + 2.0 * y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x;
  return jacobian;
}

Eigen::Vector2d undistort_point(const Camera& camera, const Eigen::Vector2d& distorted) {
  if (!camera.distorts()) return distorted;
  Eigen::Vector2d ideal = distorted;
  const double scale = std::max(1.0, distorted.norm());
  for (int iteration = 0; iteration < 50; ++iteration) {
    const Eigen::Vector2d residual = distort(camera, ideal) - distorted;
    if (residual.norm() <= 1e-14 * scale) return ideal;
    const Eigen::Matrix2d jacobian = distort_jacobian(camera, ideal);
    // Past the fold of the polynomial the mapping turns over and the inverse is not unique.
    if (!(jacobian.determinant() > 0.0)) break;
    ideal -= jacobian.inverse() * residual;
  }
  if ((distort(camera, ideal) - distorted).norm() <= 1e-12 * scale &&
      distort_jacobian(camera, ideal).determinant() > 0.0) {
    return ideal;
  }
  return Eigen::Vector2d::Constant(std::numeric_limits<double>::quiet_NaN());
}

Eigen::Vector2d project(const Camera& camera, const Eigen::Vector3d& point_camera_mm) {
  Eigen::Vector2d normalised = point_camera_mm.head<2>();
  if (camera.projection == Projection::perspective) {
    if (!(point_camera_mm.z() > 0.0)) {
      return Eigen::Vector2d::Constant(std::numeric_limits<double>::quiet_NaN());
    }
    normalised /= point_camera_mm.z();
  }
  const Eigen::Vector2d distorted = distort(camera, normalised);
  return {camera.fx * distorted.x() + camera.cx, camera.fy * distorted.y() + camera.cy};
}

Eigen::Vector2d normalise(const Camera& camera, const Eigen::Vector2d& pixel) {
  return undistort_point(
      camera, {(pixel.x() - camera.cx) / camera.fx, (pixel.y() - camera.cy) / camera.fy});
}

Camera ideal(const Camera& camera) {
  Camera result = camera;
  result.distortion.fill(0.0);
  return result;
}

}  // namespace trunnion

// The camera of one lens-and-extension setup: Brown-Conrady distortion on a pinhole or on a
// scaled orthographic (telecentric) projection.
//
// For a point (X, Y, Z) in the camera frame (x right, y down, z forward, mm):
//   perspective   x = X / Z,  y = Y / Z
//   telecentric   x = X,      y = Y                       (mm; distortion terms are per mm^2, ...)
//   r2 = x^2 + y^2
//   radial = 1 + k1 r2 + k2 r2^2 + k3 r2^3
//   x_d = x radial + 2 p1 x y + p2 (r2 + 2 x^2)
//   y_d = y radial + p1 (r2 + 2 y^2) + 2 p2 x y
//   u = fx x_d + cx,  v = fy y_d + cy
// Source: D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37(8), 1971;
// order k1 k2 p1 p2 k3 as in OpenCV.
//
// Pixel coordinates: (0, 0) is the CENTRE of the top-left pixel. fx, fy are px for a perspective
// camera and px per mm in object space for a telecentric one.
#pragma once

#include <Eigen/Core>
#include <array>

namespace trunnion {

enum class Projection { perspective, telecentric };

struct Camera {
  Projection projection = Projection::perspective;
  int width_px = 0;
  int height_px = 0;
  double fx = 0;
  double fy = 0;
  double cx = 0;
  double cy = 0;
  std::array<double, 5> distortion{};  // k1 k2 p1 p2 k3

  [[nodiscard]] bool distorts() const;
  friend bool operator==(const Camera&, const Camera&) = default;
};

// Ideal normalised coordinates -> distorted normalised coordinates, and the 2 x 2 Jacobian.
Eigen::Vector2d distort(const Camera& camera, const Eigen::Vector2d& ideal);
Eigen::Matrix2d distort_jacobian(const Camera& camera, const Eigen::Vector2d& ideal);

// Exact inverse of distort by Newton iteration to 1e-14; where the polynomial folds back and no
// inverse exists near the image, the result holds NaN.
Eigen::Vector2d undistort_point(const Camera& camera, const Eigen::Vector2d& distorted);

// Camera-frame point (mm) -> pixel. A perspective point with Z <= 0 gives NaN.
Eigen::Vector2d project(const Camera& camera, const Eigen::Vector3d& point_camera_mm);

// Pixel -> ideal normalised coordinates.
Eigen::Vector2d normalise(const Camera& camera, const Eigen::Vector2d& pixel);

// The same camera without distortion.
Camera ideal(const Camera& camera);

}  // namespace trunnion

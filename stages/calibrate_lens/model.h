// The lens as it is fitted: Brown-Conrady distortion on a projection whose perspective may vanish.
//
// A board point at R (X, Y, 0) = (qx, qy, qz) from the board's middle is imaged at
//   x = (S qx + a) / (1 + S qz e),   y = (S qy + b) / (1 + S qz e)     in units of rho
//   u = cx + rho (x_d + skew y_d),   v = cy + rho alpha y_d
// with rho half the image diagonal (px), S the scale at the middle (rho per mm), (a, b) its
// image, and e = rho / c the strength of perspective: c (px) is the principal distance, c / (rho S)
// the distance of the middle. x_d, y_d follow Brown-Conrady (core/camera.h) in units of rho.
//
// Why so: with weak perspective (macro work) the usual unknowns c and Z are nearly inseparable and
// the normal equations break down (C. Stamatopoulos, C. S. Fraser, S. Cronk, "On the
// self-calibration of long focal length lenses", ISPRS Archives XXXVIII-5, 2010). Here S is what
// the image shows directly, e enters almost linearly and passes smoothly into e = 0, the scaled
// orthographic (telecentric) camera, and distortion is measured in the image whatever c is.
// A telecentric camera has one scale S for all views.
#pragma once

#include <ceres/rotation.h>

#include <Eigen/Core>
#include <array>
#include <string>

#include "core/camera.h"
#include "core/pose.h"

namespace trunnion::calibrate_lens {

// Which parameters a candidate model sets free.
struct Model {
  Projection projection = Projection::perspective;
  int radial = 2;  // 0 to 3 terms
  // Free, else held near zero by kTangentialSigma. Decentring looks much like a moved principal
  // point: were it taken for exactly zero, the principal point would be wrong and sure of itself.
  bool tangential = false;
  bool square_pixels = true;
  // Free, else held near the image centre by kPrincipalPointSigma: never taken for exact, since an
  // undetected offset moves what the other parameters mean.
  bool principal_point = true;
  // For comparisons with published results only: skew, which a Camera has not; and what is not free
  // taken for exactly centred and zero.
  bool skew = false;
  bool exact = false;
  friend bool operator==(const Model&, const Model&) = default;
};

// Common practice, no source: sensors sit within some 2 % of the image half diagonal of the lens's
// axis.
inline constexpr double kPrincipalPointSigma = 0.02;
// Common practice, no source: decentring displaces the image's corner by some 1e-3 of the half
// diagonal at most, which is 3 p.
inline constexpr double kTangentialSigma = 3e-4;

[[nodiscard]] int parameter_count(const Model& model);
// Orders candidates: parameters, with pixels that are not square last, since sensors' pixels are.
[[nodiscard]] int complexity(const Model& model);
// "perspective, 2 radial terms, square pixels, principal point free"
[[nodiscard]] std::string describe(const Model& model);
// Without distortion a telecentric image shows no principal point.
[[nodiscard]] bool is_possible(const Model& model);

// Shared parameters, all of order one or below.
enum CameraIndex { kE, kAspect, kCx, kCy, kK1, kK2, kP1, kP2, kK3, kScale, kSkew };
inline constexpr int kCameraSize = 11;
// View parameters: rotation (angle-axis), image of the board's middle, log scale.
enum ViewIndex { kRx, kRy, kRz, kA, kB, kLogScale };
inline constexpr int kViewSize = 6;

using CameraVector = Eigen::Matrix<double, kCameraSize, 1>;
using CameraMatrix = Eigen::Matrix<double, kCameraSize, kCameraSize>;
using ViewVector = Eigen::Matrix<double, kViewSize, 1>;

// The image as the fit sees it.
struct Frame {
  int width_px = 0;
  int height_px = 0;
  [[nodiscard]] double rho() const { return 0.5 * std::hypot(width_px, height_px); }
  [[nodiscard]] double centre_x() const { return 0.5 * (width_px - 1); }
  [[nodiscard]] double centre_y() const { return 0.5 * (height_px - 1); }
};

// Distorted position (units of rho, from the principal point) of an ideal one.
template <typename T>
void distort_scaled(const T* camera, const T& x, const T& y, T* xd, T* yd) {
  const T r2 = x * x + y * y;
  const T radial = 1.0 + r2 * (camera[kK1] + r2 * (camera[kK2] + r2 * camera[kK3]));
  *xd = x * radial + 2.0 * camera[kP1] * x * y + camera[kP2] * (r2 + 2.0 * x * x);
  *yd = y * radial + camera[kP1] * (r2 + 2.0 * y * y) + 2.0 * camera[kP2] * x * y;
}

// Pixel of a board point (mm).
template <typename T>
void project_board_point(const Frame& frame, const T* camera, const T* view, double X, double Y,
                         T* u, T* v) {
  const T board[3] = {T(X), T(Y), T(0)};
  T q[3];
  ceres::AngleAxisRotatePoint(view, board, q);
  using std::exp;
  const T scale = exp(view[kLogScale] + camera[kScale]);
  const T depth = 1.0 + scale * q[2] * camera[kE];
  T xd;
  T yd;
  distort_scaled(camera, T((scale * q[0] + view[kA]) / depth), T((scale * q[1] + view[kB]) / depth),
                 &xd, &yd);
  const double rho = frame.rho();
  *u = frame.centre_x() + rho * (camera[kCx] + xd + camera[kSkew] * yd);
  *v = frame.centre_y() + rho * (camera[kCy] + (1.0 + camera[kAspect]) * yd);
}

// As the rest of the program knows the camera, and how its nine parameters fx fy cx cy k1 k2 p1 p2
// k3 move with the fitted ones.
Camera to_camera(const Frame& frame, const Model& model, const CameraVector& camera);
Eigen::Matrix<double, 9, kCameraSize> to_camera_jacobian(const Frame& frame, const Model& model,
                                                         const CameraVector& camera);
// camera_from_board; a telecentric camera knows no distance (t.z = 0).
Pose to_pose(const Frame& frame, const Model& model, const CameraVector& camera,
             const ViewVector& view);
// Scale at the board's middle, px per mm.
double scale_px_per_mm(const Frame& frame, const CameraVector& camera, const ViewVector& view);

// Which entries of the camera vector a model leaves free.
std::array<bool, kCameraSize> free_parameters(const Model& model);

// How each parameter that is not free is held: sigma of the prior at zero; 0: free or exact.
[[nodiscard]] std::array<double, kCameraSize> holding_sigmas(const Model& model);

}  // namespace trunnion::calibrate_lens

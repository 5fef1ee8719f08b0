#include "stages/calibrate_lens/field.h"

#include <ceres/jet.h>

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <limits>

namespace trunnion::calibrate_lens {
namespace {

using CameraJet = ceres::Jet<double, kCameraSize>;

// Ideal position (units of rho) by Newton's iteration; NaN past the fold of the polynomial.
Eigen::Vector2d undistorted(const CameraVector& camera, const Eigen::Vector2d& distorted) {
  Camera plain;
  plain.fx = plain.fy = 1.0;
  plain.distortion = {camera[kK1], camera[kK2], camera[kP1], camera[kP2], camera[kK3]};
  return undistort_point(plain, distorted);
}

// d (u, v) / d (camera) of a fixed ideal point; with `ray` the point is a fixed direction (or for a
// telecentric camera a fixed offset in mm), which moves with c.
Eigen::Matrix<double, 2, kCameraSize> image_jacobian(const Fit& fit, const Eigen::Vector2d& point,
                                                     bool ray) {
  std::array<CameraJet, kCameraSize> camera;
  for (int i = 0; i < kCameraSize; ++i) {
    camera[static_cast<std::size_t>(i)] = CameraJet(fit.camera[i], i);
  }
  CameraJet x(point.x());
  CameraJet y(point.y());
  if (ray) {
    const CameraJet stretch = fit.model.projection == Projection::perspective
                                  ? fit.camera[kE] / camera[kE]
                                  : exp(camera[kScale] - fit.camera[kScale]);
    x *= stretch;
    y *= stretch;
  }
  CameraJet xd;
  CameraJet yd;
  distort_scaled(camera.data(), x, y, &xd, &yd);
  const double rho = fit.frame.rho();
  const CameraJet u = rho * (camera[kCx] + xd);
  const CameraJet v = rho * (camera[kCy] + (1.0 + camera[kAspect]) * yd);
  Eigen::Matrix<double, 2, kCameraSize> jacobian;
  jacobian.row(0) = u.v.transpose();
  jacobian.row(1) = v.v.transpose();
  return jacobian;
}

FieldPoint field_point(const Fit& fit, const CameraMatrix& covariance,
                       const Eigen::Vector2d& pixel) {
  FieldPoint result;
  result.image_px = pixel;
  const double rho = fit.frame.rho();
  const double aspect = 1.0 + fit.camera[kAspect];
  const Eigen::Vector2d distorted(
      (pixel.x() - fit.frame.centre_x()) / rho - fit.camera[kCx],
      ((pixel.y() - fit.frame.centre_y()) / rho - fit.camera[kCy]) / aspect);
  const Eigen::Vector2d point = undistorted(fit.camera, distorted);
  const Eigen::DiagonalMatrix<double, 2> to_px(rho, rho * aspect);
  result.correction_px = to_px * (point - distorted);
  const auto by_ray = image_jacobian(fit, point, true);
  result.sigma_reprojection_px = std::sqrt((by_ray * covariance * by_ray.transpose()).trace());
  // At a fixed pixel the ideal point moves against the image of a fixed ideal point, through the
  // inverse of the distortion's slope; the correction is relative to the moved principal point.
  const auto fixed_point = image_jacobian(fit, point, false);
  Camera plain;
  plain.distortion = {fit.camera[kK1], fit.camera[kK2], fit.camera[kP1], fit.camera[kP2],
                      fit.camera[kK3]};
  const Eigen::Matrix2d slope = to_px * distort_jacobian(plain, point);
  Eigen::Matrix<double, 2, kCameraSize> moves = -(to_px * slope.inverse() * fixed_point);
  moves(0, kCx) += rho;
  moves(1, kCy) += rho;
  moves(1, kAspect) += rho * point.y();
  result.sigma_correction_px = std::sqrt((moves * covariance * moves.transpose()).trace());
  return result;
}

}  // namespace

std::vector<FieldPoint> field_of(const Fit& fit, const CameraMatrix& covariance, int columns,
                                 int rows) {
  std::vector<FieldPoint> field;
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) {
      field.push_back(
          field_point(fit, covariance,
                      {static_cast<double>(column) / (columns - 1) * (fit.frame.width_px - 1),
                       static_cast<double>(row) / (rows - 1) * (fit.frame.height_px - 1)}));
    }
  }
  return field;
}

std::vector<CurvePoint> distortion_curve(const Fit& fit, const CameraMatrix& covariance,
                                         int points) {
  const double rho = fit.frame.rho();
  const double end = 1.0 + std::hypot(fit.camera[kCx], fit.camera[kCy]);
  constexpr std::array<int, 3> kRadial{kK1, kK2, kK3};
  std::vector<CurvePoint> curve;
  for (int i = 0; i < points; ++i) {
    const double r = end * i / (points - 1);
    CurvePoint point;
    point.radius_px = rho * r;
    Eigen::Vector3d powers;
    for (int k = 0; k < 3; ++k) powers[k] = rho * std::pow(r, 3 + 2 * k);
    double variance = 0;
    for (int a = 0; a < 3; ++a) {
      const auto ia = static_cast<std::size_t>(a);
      point.shift_px += powers[a] * fit.camera[kRadial[ia]];
      for (int b = 0; b < 3; ++b) {
        variance +=
            powers[a] * powers[b] * covariance(kRadial[ia], kRadial[static_cast<std::size_t>(b)]);
      }
    }
    point.sigma_px = std::sqrt(std::max(0.0, variance));
    curve.push_back(point);
  }
  return curve;
}

}  // namespace trunnion::calibrate_lens

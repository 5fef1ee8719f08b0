// Where a camera stands: x_camera = R x_world + t, projection centre C = -R^T t (mm).
#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>

namespace trunnion {

struct Pose {
  Eigen::Matrix3d R = Eigen::Matrix3d::Identity();  // camera_from_world
  Eigen::Vector3d t = Eigen::Vector3d::Zero();      // mm, camera frame

  [[nodiscard]] Eigen::Vector3d centre_mm() const { return -(R.transpose() * t); }
  [[nodiscard]] Eigen::Vector3d operator*(const Eigen::Vector3d& world_mm) const {
    return R * world_mm + t;
  }
  // c_from_a = c_from_b * b_from_a
  [[nodiscard]] Pose operator*(const Pose& inner) const { return {R * inner.R, R * inner.t + t}; }
  [[nodiscard]] Pose inverse() const { return {R.transpose(), -(R.transpose() * t)}; }
};

// 6 x 6 covariance of a pose: rotation first (small left rotation w in the CAMERA frame,
// R = exp([w]x) R0, rad), then the projection centre (WORLD frame, mm).
using PoseCovariance = Eigen::Matrix<double, 6, 6>;

// Unit quaternion w, x, y, z of R with w >= 0.
Eigen::Vector4d quaternion_wxyz(const Eigen::Matrix3d& R);

// Rotation by `angle` (rad, right-hand rule) about a unit axis.
Eigen::Matrix3d rotation_about(const Eigen::Vector3d& axis, double angle);

// [v]x with [v]x w = v x w.
Eigen::Matrix3d cross_matrix(const Eigen::Vector3d& v);

// Angle (rad) of the rotation that carries a to b.
double rotation_angle_between(const Eigen::Matrix3d& a, const Eigen::Matrix3d& b);

}  // namespace trunnion

// The rig's formulas for any scalar, so that adjustments can differentiate what turntable.h
// evaluates: one definition of the frames, used by the poses, the axis calibration and the
// refinement.
#pragma once

#include <ceres/rotation.h>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <cmath>

namespace trunnion::rig {

template <typename T>
using Vector3 = Eigen::Matrix<T, 3, 1>;
template <typename T>
using Matrix3 = Eigen::Matrix<T, 3, 3>;

template <typename T>
Matrix3<T> rotation_from_vector(const Vector3<T>& rotation) {
  Matrix3<T> R;
  ceres::AngleAxisToRotationMatrix(rotation.data(), R.data());  // column-major, as Eigen
  return R;
}

// Columns: the stage's X (towards the camera's azimuth), Y and Z in the camera frame. The caller
// makes sure that the camera does not look along the axis.
template <typename T>
Matrix3<T> stage_rotation(const Vector3<T>& unit_direction, const Vector3<T>& origin_mm,
                          bool telecentric) {
  const Vector3<T> to_camera = telecentric ? Vector3<T>(T(0), T(0), T(-1)) : Vector3<T>(-origin_mm);
  const Vector3<T> across = to_camera - unit_direction * to_camera.dot(unit_direction);
  Matrix3<T> R;
  R.col(0) = across / sqrt(across.squaredNorm());
  R.col(1) = unit_direction.cross(Vector3<T>(R.col(0)));
  R.col(2) = unit_direction;
  return R;
}

template <typename T>
Matrix3<T> turn(const T& stage_angle) {
  using std::cos;
  using std::sin;
  const T c = cos(stage_angle);
  const T s = sin(stage_angle);
  Matrix3<T> R;
  R << c, -s, T(0), s, c, T(0), T(0), T(0), T(1);
  return R;
}

}  // namespace trunnion::rig

// The formulas of turntable.h for any scalar type, so that adjustments can differentiate them.
// This is the only definition of the frames; the poses, the axis calibration and the refinement
// use it.
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

// What the second axis does to a place: x -> R x + t, a turn by `angle` about the line of a
// TiltAxis (turntable.h); `line`: azimuth, inclination, across, height.
template <typename T>
void tilt_motion(const T* line, const T& angle, Matrix3<T>& R, Vector3<T>& t) {
  using std::cos;
  using std::sin;
  const T ca = cos(line[0]);
  const T sa = sin(line[0]);
  const T ci = cos(line[1]);
  const Vector3<T> along(ci * ca, ci * sa, sin(line[1]));
  const Vector3<T> point(-sa * line[2], ca * line[2], line[3]);
  R = rotation_from_vector<T>(Vector3<T>(along * angle));
  t = point - R * point;
}

// camera_from_world of a stage that turns, its tilt either below the turning (the whole stage) or
// on top of it (the specimen): camera_from_stage T Rz(a) or camera_from_stage Rz(a) T.
template <typename T>
void compose_tilted(const Matrix3<T>& stage_R, const Vector3<T>& origin_mm, const T& stage_angle,
                    bool tilts_stage, const T* line, const T& tilt, Matrix3<T>& R, Vector3<T>& t) {
  Matrix3<T> tilt_R;
  Vector3<T> tilt_t;
  tilt_motion<T>(line, tilt, tilt_R, tilt_t);
  const Matrix3<T> turned = turn<T>(stage_angle);
  if (tilts_stage) {
    t = origin_mm + stage_R * tilt_t;
    R = stage_R * tilt_R * turned;
  } else {
    const Matrix3<T> outer = stage_R * turned;
    t = origin_mm + outer * tilt_t;
    R = outer * tilt_R;
  }
}

// A single parameter against its sigma.
struct ScalarPrior {
  double sigma;
  template <typename T>
  bool operator()(const T* value, T* residual) const {
    residual[0] = value[0] / sigma;
    return true;
  }
};

// camera.h's projection; `camera`: fx fy cx cy k1 k2 p1 p2 k3. Telecentric points need no depth.
template <typename T>
Eigen::Matrix<T, 2, 1> project(const T* camera, bool telecentric, const Vector3<T>& x) {
  const T u = telecentric ? x[0] : x[0] / x[2];
  const T v = telecentric ? x[1] : x[1] / x[2];
  const T r2 = u * u + v * v;
  const T radial = T(1) + r2 * (camera[4] + r2 * (camera[5] + r2 * camera[8]));
  const T du = u * radial + T(2) * camera[6] * u * v + camera[7] * (r2 + T(2) * u * u);
  const T dv = v * radial + camera[6] * (r2 + T(2) * v * v) + T(2) * camera[7] * u * v;
  return {camera[0] * du + camera[2], camera[1] * dv + camera[3]};
}

}  // namespace trunnion::rig

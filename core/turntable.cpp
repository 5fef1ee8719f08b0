#include "core/turntable.h"

#include <array>
#include <cmath>

#include "core/error.h"
#include "core/rig_math.h"

namespace trunnion {
namespace {

// An axis moved by (rotation about stage X, about stage Y, origin) and the angle that goes with it.
Axis perturbed(const Axis& axis, const Pose& stage, const Eigen::Matrix<double, 5, 1>& step) {
  const Eigen::Vector3d rotation = stage.R.col(0) * step[0] + stage.R.col(1) * step[1];
  const double angle = rotation.norm();
  Axis moved = axis;
  if (angle > 0.0) moved.direction = rotation_about(rotation / angle, angle) * axis.direction;
  moved.origin_mm += step.tail<3>();
  return moved;
}

// Pose difference in the coordinates of PoseCovariance.
Eigen::Matrix<double, 6, 1> difference(const Pose& a, const Pose& b) {
  const Eigen::AngleAxisd rotation(Eigen::Matrix3d(a.R * b.R.transpose()));
  Eigen::Matrix<double, 6, 1> d;
  d.head<3>() = rotation.angle() * rotation.axis();
  d.tail<3>() = a.centre_mm() - b.centre_mm();
  return d;
}

}  // namespace

Pose camera_from_stage(const Axis& axis, bool telecentric) {
  const Eigen::Vector3d z = axis.direction.normalized();
  const Eigen::Vector3d to_camera =
      telecentric ? Eigen::Vector3d(0.0, 0.0, -1.0) : Eigen::Vector3d(-axis.origin_mm);
  const Eigen::Vector3d across = to_camera - to_camera.dot(z) * z;
  if (!(across.norm() > 1e-6 * to_camera.norm()) || to_camera.norm() == 0.0) {
    throw data_error(
        "The viewing direction is parallel to the rotation axis, so the azimuth of the camera is "
        "undefined; "
        "give a ring elevation below 90 degrees.");
  }
  return {rig::stage_rotation<double>(z, axis.origin_mm, telecentric), axis.origin_mm};
}

Axis nominal_axis(double distance_mm, double elevation, const Eigen::Vector2d& offset_mm) {
  Axis axis;
  // +Z of the stage seen by a camera above it: up (-y), and leaning towards the camera (-z).
  axis.direction = Eigen::Vector3d(0.0, -std::cos(elevation), -std::sin(elevation));
  axis.origin_mm = Eigen::Vector3d(offset_mm.x(), offset_mm.y(), distance_mm);
  return axis;
}

Pose pose_at(const Axis& axis, double stage_angle, bool telecentric, const Tilt& tilt) {
  const Pose stage = camera_from_stage(axis, telecentric);
  const TiltAxis& second = tilt.axis;
  const std::array<double, 4> line{second.azimuth, second.inclination, second.across_mm,
                                   second.height_mm};
  Pose pose;
  rig::compose_tilted<double>(stage.R, stage.t, stage_angle, second.kind == TiltKind::stage,
                              line.data(), tilt.angle, pose.R, pose.t);
  return pose;
}

PoseCovariance pose_covariance_at(const Axis& axis, const AxisCovariance& axis_covariance,
                                  double stage_angle, double sigma_stage_angle, bool telecentric,
                                  const Tilt& tilt) {
  const Pose stage = camera_from_stage(axis, telecentric);
  const double length = std::max(1.0, axis.origin_mm.norm());
  Eigen::Matrix<double, 6, 11> jacobian;
  const auto put = [&](int column, double h, const auto& pose_of) {
    jacobian.col(column) = difference(pose_of(h), pose_of(-h)) / (2.0 * h);
  };
  for (int i = 0; i < 5; ++i) {
    put(i, i < 2 ? 1e-6 : 1e-6 * length, [&](double h) {
      const Eigen::Matrix<double, 5, 1> step = Eigen::Matrix<double, 5, 1>::Unit(i) * h;
      return pose_at(perturbed(axis, stage, step), stage_angle, telecentric, tilt);
    });
    put(6 + i, i < 2 || i == 4 ? 1e-6 : 1e-6 * length, [&](double h) {
      Tilt moved = tilt;
      double* const values[] = {&moved.axis.azimuth, &moved.axis.inclination, &moved.axis.across_mm,
                                &moved.axis.height_mm, &moved.angle};
      *values[i] += h;
      return pose_at(axis, stage_angle, telecentric, moved);
    });
  }
  put(5, 1e-6, [&](double h) { return pose_at(axis, stage_angle + h, telecentric, tilt); });
  Eigen::Matrix<double, 11, 11> parameters = Eigen::Matrix<double, 11, 11>::Zero();
  parameters.topLeftCorner<5, 5>() = axis_covariance;
  parameters(5, 5) = sigma_stage_angle * sigma_stage_angle;
  parameters.bottomRightCorner<5, 5>() = tilt.covariance;
  const PoseCovariance covariance = jacobian * parameters * jacobian.transpose();
  return 0.5 * (covariance + covariance.transpose());
}

Pose moved_back(const Pose& pose, double back_mm) {
  return {pose.R, pose.t + Eigen::Vector3d(0.0, 0.0, back_mm)};
}

PoseCovariance with_view_sigma(const PoseCovariance& covariance, const Pose& pose,
                               double sigma_mm) {
  const Eigen::Vector3d view = pose.R.row(2);
  PoseCovariance result = covariance;
  result.bottomRightCorner<3, 3>() += sigma_mm * sigma_mm * view * view.transpose();
  return result;
}

}  // namespace trunnion

// The single-axis rig: given the rotation axis in the camera's frame and the stage angles, every
// camera pose is known.
//
// Frames
//   stage: fixed in the laboratory, origin on the rotation axis, +Z along it (right-hand rule:
//          positive stage angles turn the specimen counter-clockwise seen from +Z), +X towards
//          the azimuth of the projection centre (telecentric: of the direction to the camera).
//   world: fixed to the specimen; equal to the stage frame at stage angle 0.
// A specimen turned by the angle a has x_stage = Rz(a) x_world, hence
//   camera_from_world(a) = camera_from_stage * Rz(a),
// which moves the camera to azimuth -a in the world frame.
//
// Rings: each ring has its own axis as seen by the camera (camera tilted to another elevation, or
// the whole stage tilted about a second axis: to the camera both are a new axis direction).
#pragma once

#include <Eigen/Core>

#include "core/pose.h"

namespace trunnion {

// The rotation axis in the camera frame.
struct Axis {
  Eigen::Vector3d direction{0.0, -1.0, 0.0};  // unit, +Z of the stage
  Eigen::Vector3d origin_mm{0.0, 0.0, 0.0};   // the world's origin, a point on the axis
};

// Covariance of an axis, ordered: rotation of the direction about the stage's X and Y (rad), then
// the origin in the camera frame (mm).
using AxisCovariance = Eigen::Matrix<double, 5, 5>;

enum class Turning { counter_clockwise = 1, clockwise = -1 };  // of the specimen, seen from +Z

// camera_from_stage of an axis. Throws a data error where the camera looks along the axis, since
// the azimuth of the camera is then undefined. `projection_telecentric` takes the azimuth from the
// viewing direction instead of the projection centre.
Pose camera_from_stage(const Axis& axis, bool telecentric = false);

// The axis of a camera that looks at the world's origin from `distance_mm` at `elevation` (rad,
// positive = camera above the plane of the stage), with the origin imaged `offset_mm` right of and
// below the optical axis.
Axis nominal_axis(double distance_mm, double elevation,
                  const Eigen::Vector2d& offset_mm = Eigen::Vector2d::Zero());

// Pose at a stage angle (rad, already signed by the direction of turning).
Pose pose_at(const Axis& axis, double stage_angle, bool telecentric = false);

// First-order covariance of pose_at from the axis covariance and the sigma of the stage angle.
PoseCovariance pose_covariance_at(const Axis& axis, const AxisCovariance& axis_covariance,
                                  double stage_angle, double sigma_stage_angle,
                                  bool telecentric = false);

}  // namespace trunnion

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
// Rings: by camera elevation (each has its own axis as seen by the camera) or by a tilt t about a
// second axis, as a universal stage has it. T(t) turns by t about a line of the stage frame:
//   the whole stage tilts:      camera_from_world(a, t) = camera_from_stage T(t) Rz(a)
//   the specimen tilts on top:  camera_from_world(a, t) = camera_from_stage Rz(a) T(t)
// The world is the stage frame at angle 0 and tilt 0. With the default line, the stage's +Y, a
// positive tilt leans the top towards the camera (at stage angle 0): the view of a raised camera.
//
// The reference slice: an image fused from a rail series and rescaled has the perspective of its
// reference slice. Where that plane of focus lay d mm nearer to the camera than in the axis
// calibration, the camera stood d mm further back on the rail (taken parallel to the optical axis):
// every point has x_camera + d (0, 0, 1).
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

enum class TiltKind { specimen, stage };  // what the second axis carries

// The second axis as a line of the stage frame at stage angle 0. It must not be parallel to the
// first: tilting would be turning.
struct TiltAxis {
  TiltKind kind = TiltKind::specimen;
  double azimuth = 1.57079632679489662;  // rad, of its direction, from the stage's +X
  double inclination = 0;                // rad, of its direction above the plane of the stage
  double across_mm = 0;  // of its point next to the turning axis: horizontal, left of its direction
  double height_mm = 0;  // and along the turning axis
};

// Ordered: azimuth, inclination (rad), across, height (mm), tilt angle (rad).
using TiltCovariance = Eigen::Matrix<double, 5, 5>;

struct Tilt {
  TiltAxis axis;
  double angle = 0;  // rad, right-hand rule about the axis's direction
  TiltCovariance covariance = TiltCovariance::Zero();
};

// camera_from_stage of an axis. Throws a data error if the viewing direction is parallel to the
// axis, because the azimuth of the camera is then undefined. With `telecentric` the azimuth is that
// of the viewing direction instead of the projection centre.
Pose camera_from_stage(const Axis& axis, bool telecentric = false);

// The axis of a camera that looks at the world's origin from `distance_mm` at `elevation` (rad,
// positive = camera above the plane of the stage), with the origin imaged `offset_mm` right of and
// below the optical axis.
Axis nominal_axis(double distance_mm, double elevation,
                  const Eigen::Vector2d& offset_mm = Eigen::Vector2d::Zero());

// Pose at a stage angle (rad, already signed by the direction of turning) and a tilt.
Pose pose_at(const Axis& axis, double stage_angle, bool telecentric = false, const Tilt& tilt = {});

// First-order covariance of pose_at from the covariances of axis and tilt and the sigma of the
// stage angle.
PoseCovariance pose_covariance_at(const Axis& axis, const AxisCovariance& axis_covariance,
                                  double stage_angle, double sigma_stage_angle,
                                  bool telecentric = false, const Tilt& tilt = {});

// A pose whose camera stood `back_mm` further back along its view, and the covariance with the
// sigma of that added.
Pose moved_back(const Pose& pose, double back_mm);
PoseCovariance with_view_sigma(const PoseCovariance& covariance, const Pose& pose, double sigma_mm);

}  // namespace trunnion

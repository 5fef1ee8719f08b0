// Refine, the rig as its adjustments see it: parameters as small steps from the prior, so that a
// step of zero is the prior and every prior is one linear residual.
//
//   camera_from_world(view) = B camera_from_stage(axis of its ring) Rz(stage angle + azimuth_offset
//   + angle)
//   M
//
// (tilted rings: with T of turntable.h before or after Rz) with the axis moved from its prior by
// (rotation about the prior stage's X and Y, origin in the camera frame), one azimuth offset per
// ring (zero for the first, which defines the azimuth), one angle a station, one principal distance
// for all (as the logarithm of its change), and M the identity or, for stations after a bump of the
// specimen, one rigid motion in the world frame. B moves the camera back along its view where the
// reference slice was elsewhere on the rail: given, not adjusted. Rings that differ by a tilt
// alone share one axis; each has a step of its tilt, all one line of the second axis.
#pragma once

#include <Eigen/Core>
#include <array>
#include <cstddef>
#include <vector>

#include "config/calibration_record.h"
#include "core/projection.h"
#include "core/rig_math.h"
#include "core/scene.h"

namespace trunnion::refine {

using AxisStep = std::array<double, 5>;   // rad, rad, mm, mm, mm
using MountStep = std::array<double, 6>;  // rotation vector (rad), translation (mm)
using LineStep = std::array<double, 4>;   // azimuth, inclination (rad), across, height (mm)

struct RingModel {
  Axis prior;
  Eigen::Matrix3d stage_R;  // of the prior
  Eigen::Matrix<double, 5, 5> sqrt_information;
  double sigma_azimuth_offset = 0;  // rad
  std::size_t axis = 0;             // the ring whose axis it stands on; itself where it shares none
  double sigma_tilt = 0;            // rad; 0: fixed as given
};

// The second axis of the stage.
struct SecondAxis {
  bool exists = false;
  TiltKind kind = TiltKind::specimen;
  LineStep prior{};
  Eigen::Matrix4d sqrt_information = Eigen::Matrix4d::Zero();
};

struct StationModel {
  std::size_t ring = 0;
  std::size_t axis = 0;    // the ring whose axis it stands on
  double stage_angle = 0;  // rad
  double sigma_angle = 0;  // rad
  bool bumped = false;     // M applies
  double tilt = 0;         // rad
  double back_mm = 0;      // B
};

struct RigModel {
  Camera camera;  // without distortion
  bool free_distance = false;
  double sigma_log_distance = 0.05;
  std::vector<RingModel> rings;
  std::vector<StationModel> stations;
  SecondAxis second;

  [[nodiscard]] bool telecentric() const { return camera.projection == Projection::telecentric; }
};

struct RigValues {
  std::vector<AxisStep> axis;          // a ring
  std::vector<double> azimuth_offset;  // a ring, rad
  std::vector<double> angle;           // a station, rad
  double log_distance = 0;             // log(c / c prior)
  std::vector<double> tilt;            // a ring, rad
  LineStep line{};                     // of the second axis
  MountStep mount{};
};

// How far the azimuth offset of a ring may differ from the first ring's, beyond the angle sigmas:
// the camera or the stage has been moved between rings by hand.
struct RigPriors {
  double sigma_azimuth_offset = 0.0087;  // rad, 0.5 degrees; where the axis is nominal
  double sigma_log_distance = 0.05;
};

RigModel make_model(const Scene& prior, const std::vector<RingAxis>& rings, bool free_distance,
                    const RigPriors& priors = {});
RigValues zero_values(const RigModel& model);

// Where each parameter stands in a covariance of the rig: axis steps ring by ring, starts, angles,
// log distance, tilts, line of the second axis, mount.
struct ParameterIndex {
  explicit ParameterIndex(const RigModel& model)
      : rings(model.rings.size()), stations(model.stations.size()) {}
  [[nodiscard]] int axis(std::size_t ring) const { return static_cast<int>(5 * ring); }
  [[nodiscard]] int azimuth_offset(std::size_t ring) const {
    return static_cast<int>(5 * rings + ring);
  }
  [[nodiscard]] int angle(std::size_t view) const { return static_cast<int>(6 * rings + view); }
  [[nodiscard]] int log_distance() const { return static_cast<int>(6 * rings + stations); }
  [[nodiscard]] int tilt(std::size_t ring) const {
    return log_distance() + 1 + static_cast<int>(ring);
  }
  [[nodiscard]] int line() const { return tilt(rings); }
  [[nodiscard]] int mount() const { return line() + 4; }
  [[nodiscard]] int size() const { return mount() + 6; }
  std::size_t rings;
  std::size_t stations;
};

// Covariance of the rig's parameters as the priors have it. Fixed parameters have zero rows.
Eigen::MatrixXd prior_covariance(const RigModel& model);

// Values moved by a step in the order of ParameterIndex.
RigValues moved(const RigModel& model, const RigValues& values, const Eigen::VectorXd& step);

Camera camera_of(const RigModel& model, const RigValues& values);
Axis axis_of(const RigModel& model, const RigValues& values, std::size_t ring);
Pose pose_of(const RigModel& model, const RigValues& values, std::size_t view);

// The parameters of one station for any scalar; `mount` may be null.
template <typename T>
struct StationSteps {
  const T* axis;
  T stage_angle;  // corrected
  T tilt;         // a step
  const T* line;
  const T* mount;
};

template <typename T>
void rig_pose(const RigModel& model, const StationModel& station, const StationSteps<T>& steps,
              rig::Matrix3<T>& R, rig::Vector3<T>& t) {
  const RingModel& ring = model.rings[station.axis];
  const T* axis_step = steps.axis;
  const T* mount = steps.mount;
  const rig::Vector3<T> rotation =
      ring.stage_R.col(0).cast<T>() * axis_step[0] + ring.stage_R.col(1).cast<T>() * axis_step[1];
  const rig::Vector3<T> direction =
      rig::rotation_from_vector<T>(rotation) * ring.prior.direction.cast<T>();
  const rig::Vector3<T> origin =
      ring.prior.origin_mm.cast<T>() + rig::Vector3<T>(axis_step[2], axis_step[3], axis_step[4]);
  const rig::Matrix3<T> stage_R = rig::stage_rotation<T>(direction, origin, model.telecentric());
  if (model.second.exists) {
    std::array<T, 4> line;
    for (std::size_t k = 0; k < 4; ++k) line[k] = model.second.prior[k] + steps.line[k];
    const rig::Motion<T> tilted = rig::compose_tilted<T>(
        {stage_R, origin}, steps.stage_angle, model.second.kind == TiltKind::stage,
        rig::tilt_motion<T>(line.data(), T(station.tilt + steps.tilt)));
    R = tilted.R;
    t = tilted.t;
  } else {
    R = stage_R * rig::turn<T>(steps.stage_angle);
    t = origin;
  }
  if (mount != nullptr) {
    t += R * rig::Vector3<T>(mount[3], mount[4], mount[5]);
    R = R * rig::rotation_from_vector<T>(rig::Vector3<T>(mount[0], mount[1], mount[2]));
  }
  t[2] += station.back_mm;
}

}  // namespace trunnion::refine

// Axis calibration, the joint solution.
#pragma once

#include <array>
#include <vector>

#include "core/rig_math.h"
#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion::calibrate_axis {

// A board pose on the stage as rotation vector and translation (mm).
using BoardStep = std::array<double, 6>;

struct FitStart {
  std::vector<Axis> axes;      // a ring
  std::vector<double> angles;  // rad, a sighting: what the stage angles are believed to be
  std::vector<int> board;      // a sighting: which board pose it has; all 0 normally
  std::vector<BoardStep> boards;
  // With a second axis all rings share the first axis and one board place, and these count.
  bool tilted = false;
  std::size_t tilt_reference = 0;  // the ring whose tilt is believed
  std::vector<double> tilts;       // rad, a ring
  std::array<double, 4> line{};    // azimuth, inclination, across, height
};

struct FitOptions {
  double sigma_angle = 0;  // rad; 0: the angles are free but for the first
  double sigma_azimuth = 0.035;
  double sigma_tilt = 0.0175;
  double sigma_px = 0.1;
  bool covariance = false;
  bool hold_camera = false;  // at the request's
  bool joint = false;        // with the request's `joint` as what is known of the camera
};

struct Fit {
  bool converged = false;
  std::vector<Axis> axes;
  std::vector<double> azimuths;
  std::vector<double> angle_steps;  // rad, a sighting, found minus believed
  std::vector<double> angle_sigmas;
  std::vector<BoardStep> boards;
  Camera camera;
  // A ring: of the axis that belongs to the request's camera, that camera's own uncertainty
  // included: what the boards leave where the camera is given, and how far the axis follows it.
  // With FitOptions::joint: of the axis found with the camera.
  std::vector<AxisCovariance> covariances;
  std::vector<Eigen::Matrix<double, 5, 9>> with_camera;  // joint: axis with camera, a ring
  Eigen::Matrix<double, 9, 9> camera_covariance = Eigen::Matrix<double, 9, 9>::Zero();  // joint
  std::vector<Tilt> tilts;  // a ring, with covariance; empty without a second axis
  std::vector<std::vector<Eigen::Vector2d>> residuals_px;  // a sighting
  double rms_px = 0;
  double sigma_px = 0;
};

Fit fit_rig(const AxisRequest& request, const FitStart& start, const FitOptions& options);

Pose pose_of(const BoardStep& step);
BoardStep step_of(const Pose& pose);

}  // namespace trunnion::calibrate_axis

#include "stages/calibrate_axis/wobble.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>

namespace trunnion::calibrate_axis {
namespace {

struct Stray {
  Eigen::Matrix<double, 6, 1> step;  // rotation vector, shift; stage frame
  Eigen::Matrix<double, 6, 6> covariance;
};

Stray stray_of(const AxisRequest& request, const AxisSighting& sighting, const Fit& fit,
               const Pose& camera_from_stage_pose, const Pose& stage_from_board_turned) {
  Eigen::Matrix<double, 6, 6> normal = Eigen::Matrix<double, 6, 6>::Zero();
  Eigen::Matrix<double, 6, 1> gradient = Eigen::Matrix<double, 6, 1>::Zero();
  for (const BoardCorner& corner : sighting.corners) {
    const Eigen::Vector3d on_stage =
        stage_from_board_turned * Eigen::Vector3d(corner.column * request.pattern.square_mm,
                                                  corner.row * request.pattern.square_mm, 0.0);
    const auto pixel = [&](const Eigen::Vector3d& x) {
      return project(fit.camera, camera_from_stage_pose * x);
    };
    const Eigen::Vector2d r = corner.position_px - pixel(on_stage);
    Eigen::Matrix<double, 2, 3> by_x;
    for (int k = 0; k < 3; ++k) {
      constexpr double kStep_mm = 1e-4;
      const Eigen::Vector3d d = Eigen::Vector3d::Unit(k) * kStep_mm;
      by_x.col(k) = (pixel(on_stage + d) - pixel(on_stage - d)) / (2.0 * kStep_mm);
    }
    Eigen::Matrix<double, 2, 6> J;
    J.leftCols<3>() = -by_x * cross_matrix(on_stage);
    J.rightCols<3>() = by_x;
    normal += J.transpose() * J;
    gradient += J.transpose() * r;
  }
  // A telecentric camera sees no depth: shifts along the view are held.
  const Eigen::Vector3d view = camera_from_stage_pose.R.row(2);
  if (fit.camera.projection == Projection::telecentric) {
    normal.bottomRightCorner<3, 3>() +=
        1e6 * normal.bottomRightCorner<3, 3>().trace() * view * view.transpose();
  }
  const Eigen::LDLT<Eigen::Matrix<double, 6, 6>> solver(normal);
  Stray stray;
  stray.step = solver.solve(gradient);
  stray.covariance =
      solver.solve(Eigen::Matrix<double, 6, 6>::Identity()) * fit.sigma_px * fit.sigma_px;
  return stray;
}

}  // namespace

void measure_wobble(const AxisRequest& request, const FitStart& start, const Fit& fit,
                    AxisResult& result) {
  const bool telecentric = fit.camera.projection == Projection::telecentric;
  double tilt2 = 0;
  double tilt_noise2 = 0;
  double shift2 = 0;
  double shift_noise2 = 0;
  for (std::size_t i = 0; i < request.sightings.size(); ++i) {
    const AxisSighting& sighting = request.sightings[i];
    const double angle = start.angles[i] + fit.azimuths[sighting.ring] + fit.angle_steps[i];
    const Pose turn{rig::turn<double>(angle), Eigen::Vector3d::Zero()};
    Pose board = pose_of(fit.boards[static_cast<std::size_t>(start.board[i])]);
    Pose stage = camera_from_stage(fit.axes[sighting.ring], telecentric);
    if (!fit.tilts.empty()) {
      const Tilt& tilt = fit.tilts[sighting.ring];
      const TiltAxis& second = tilt.axis;
      const std::array<double, 4> line{second.azimuth, second.inclination, second.across_mm,
                                       second.height_mm};
      Pose tilted;
      rig::tilt_motion<double>(line.data(), tilt.angle, tilted.R, tilted.t);
      if (second.kind == TiltKind::stage) {
        stage = stage * tilted;
      } else {
        board = tilted * board;
      }
    }
    const Stray stray = stray_of(request, sighting, fit, stage, turn * board);
    AxisStation& station = result.stations[i];
    station.wobble = stray.step.head<2>().norm();
    station.runout_mm = stray.step.segment<2>(3).norm();
    tilt2 += stray.step.head<2>().squaredNorm();
    shift2 += stray.step.segment<2>(3).squaredNorm();
    tilt_noise2 += stray.covariance(0, 0) + stray.covariance(1, 1);
    shift_noise2 += stray.covariance(3, 3) + stray.covariance(4, 4);
  }
  const auto count = static_cast<double>(request.sightings.size());
  result.wobble_rms = std::sqrt(tilt2 / count);
  result.wobble_noise = std::sqrt(tilt_noise2 / count);
  result.eccentricity_mm = std::sqrt(shift2 / count);
  result.eccentricity_noise_mm = std::sqrt(shift_noise2 / count);
}

}  // namespace trunnion::calibrate_axis

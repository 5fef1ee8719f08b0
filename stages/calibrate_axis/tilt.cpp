#include "stages/calibrate_axis/tilt.h"

#include <fmt/format.h>

#include <Eigen/Geometry>
#include <Eigen/QR>
#include <algorithm>
#include <cmath>

#include "core/angle.h"

namespace trunnion::calibrate_axis {
namespace {

constexpr double kLeastTilt = radians(3.0);  // between two rings, to show the second axis
constexpr double kSteepest = radians(70.0);  // of the second axis above the plane of the stage

// The board in the camera frame at stage angle 0, before the tilt's own share.
Pose board_in_camera(const AxisRequest& request, const Fit& free, std::size_t ring) {
  const bool telecentric = request.camera.projection == Projection::telecentric;
  return camera_from_stage(free.axes[ring], telecentric) * pose_of(free.boards[ring]);
}

TiltStart failed(TiltStart start, std::string fault, std::string remedy) {
  start.fault = std::move(fault);
  start.remedy = std::move(remedy);
  return start;
}

}  // namespace

TiltStart first_tilt(const AxisRequest& request, const Fit& free, const AxisOptions& options) {
  TiltStart start;
  const std::vector<double>& given = request.tilts;
  const auto least = std::min_element(given.begin(), given.end(),
                                      [](double a, double b) { return std::abs(a) < std::abs(b); });
  start.reference = static_cast<std::size_t>(least - given.begin());
  const auto farthest = std::max_element(given.begin(), given.end(), [&](double a, double b) {
    return std::abs(a - *least) < std::abs(b - *least);
  });
  if (std::abs(*farthest - *least) < kLeastTilt) {
    return failed(start,
                  fmt::format("The tilts given differ by only {:.1f} degrees, too little to "
                              "determine the second axis.",
                              degrees(*farthest - *least)),
                  "Tilt the board by 10 degrees or more between two rings.");
  }
  const bool telecentric = request.camera.projection == Projection::telecentric;
  const Pose stage = camera_from_stage(free.axes[start.reference], telecentric);
  const Pose board = board_in_camera(request, free, start.reference);
  const auto motion_of_ring = [&](std::size_t ring) {
    return stage.inverse() * board_in_camera(request, free, ring) * board.inverse() * stage;
  };
  const Pose motion = motion_of_ring(static_cast<std::size_t>(farthest - given.begin()));
  const Eigen::AngleAxisd turn(motion.R);
  Eigen::Vector3d along = turn.axis();
  const Eigen::Vector3d hint(std::cos(request.tilt_azimuth), std::sin(request.tilt_azimuth), 0);
  if (along.dot(hint) < 0) along = -along;
  if (turn.angle() < 0.5 * kLeastTilt || std::abs(along.z()) > std::sin(kSteepest)) {
    return failed(
        start,
        "Between the rings the board turned about an axis close to the rotation axis, or not at "
        "all; a tilt needs another axis.",
        "Check which ring was tilted, and that the stage angles of all rings have the same zero.");
  }
  // A point of the axis: (I - R) p = t, the one next to the origin.
  const Eigen::Matrix3d A = Eigen::Matrix3d::Identity() - motion.R;
  Eigen::CompleteOrthogonalDecomposition<Eigen::Matrix3d> solver;
  solver.setThreshold(1e-6);
  const Eigen::Vector3d point = solver.compute(A).solve(motion.t);
  const double azimuth = std::atan2(along.y(), along.x());
  const double inclination = std::asin(along.z());
  // Slid along the axis to where it passes the turning axis.
  const Eigen::Vector3d level(std::cos(azimuth), std::sin(azimuth), 0.0);
  const Eigen::Vector3d next = point - along * (point.dot(level) / std::cos(inclination));
  const Eigen::Vector3d left(-std::sin(azimuth), std::cos(azimuth), 0.0);
  start.line = {azimuth, inclination, next.dot(left), next.z()};
  for (std::size_t r = 0; r < given.size(); ++r) {
    const Eigen::AngleAxisd each(motion_of_ring(r).R);
    const double sign = each.axis().dot(along) < 0 ? -1.0 : 1.0;
    start.measured.push_back(*least + sign * each.angle());
    const double off = start.measured[r] - given[r];
    if (std::abs(off) <= 5.0 * options.sigma_tilt) continue;
    return failed(start,
                  fmt::format("Ring \"{}\" was tilted by {:.2f} degrees, but {:.2f} were given.",
                              request.rings[r], degrees(start.measured[r]), degrees(given[r])),
                  "Check the sign and the size of tilt_deg and the direction of the second axis.");
  }
  return start;
}

}  // namespace trunnion::calibrate_axis

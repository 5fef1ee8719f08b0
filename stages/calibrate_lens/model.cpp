#include "stages/calibrate_lens/model.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace trunnion::calibrate_lens {

std::array<bool, kCameraSize> free_parameters(const Model& model) {
  std::array<bool, kCameraSize> free{};
  free[kE] = model.projection == Projection::perspective;
  free[kScale] = model.projection == Projection::telecentric;
  free[kAspect] = !model.square_pixels;
  free[kCx] = free[kCy] = model.principal_point || !model.exact;  // held by a prior at least
  free[kK1] = model.radial >= 1;
  free[kK2] = model.radial >= 2;
  free[kK3] = model.radial >= 3;
  free[kP1] = free[kP2] = model.tangential || !model.exact;
  free[kSkew] = model.skew;
  return free;
}

int parameter_count(const Model& model) {
  const auto free = free_parameters(model);
  const auto held = holding_sigmas(model);
  return static_cast<int>(std::count(free.begin(), free.end(), true) -
                          std::count_if(held.begin(), held.end(), [](double s) { return s > 0; }));
}

std::array<double, kCameraSize> holding_sigmas(const Model& model) {
  std::array<double, kCameraSize> sigmas{};
  if (model.exact) return sigmas;
  if (!model.principal_point) sigmas[kCx] = sigmas[kCy] = kPrincipalPointSigma;
  if (!model.tangential) sigmas[kP1] = sigmas[kP2] = kTangentialSigma;
  return sigmas;
}

int complexity(const Model& model) {
  return parameter_count(model) + (model.square_pixels ? 0 : 3);
}

std::string describe(const Model& model) {
  return fmt::format("{}, {}{}, {}, principal point {}{}",
                     model.projection == Projection::perspective ? "perspective" : "telecentric",
                     model.radial == 0   ? "no radial terms"
                     : model.radial == 1 ? "1 radial term"
                                         : fmt::format("{} radial terms", model.radial),
                     model.tangential ? " and tangential"
                     : model.exact    ? ""
                                      : ", tangential held near zero",
                     model.square_pixels ? "square pixels" : "pixels not square",
                     model.principal_point ? "free" : "held near the image centre",
                     model.skew ? ", skew" : "");
}

bool is_possible(const Model& model) {
  return model.projection == Projection::perspective || !model.principal_point || model.radial > 0;
}

namespace {

// Units of the camera's normalised coordinates in units of rho: c / rho, or for a telecentric
// camera px per mm over rho.
double unit_of(const Model& model, const CameraVector& camera) {
  return model.projection == Projection::perspective ? 1.0 / camera[kE] : std::exp(camera[kScale]);
}

}  // namespace

Camera to_camera(const Frame& frame, const Model& model, const CameraVector& camera) {
  const double unit = unit_of(model, camera);
  Camera result;
  result.projection = model.projection;
  result.width_px = frame.width_px;
  result.height_px = frame.height_px;
  result.fx = frame.rho() * unit;
  result.fy = result.fx * (1.0 + camera[kAspect]);
  result.cx = frame.centre_x() + frame.rho() * camera[kCx];
  result.cy = frame.centre_y() + frame.rho() * camera[kCy];
  result.distortion = {camera[kK1] * std::pow(unit, 2), camera[kK2] * std::pow(unit, 4),
                       camera[kP1] * unit, camera[kP2] * unit, camera[kK3] * std::pow(unit, 6)};
  return result;
}

Eigen::Matrix<double, 9, kCameraSize> to_camera_jacobian(const Frame& frame, const Model& model,
                                                         const CameraVector& camera) {
  const double unit = unit_of(model, camera);
  const double rho = frame.rho();
  Eigen::Matrix<double, 9, kCameraSize> j = Eigen::Matrix<double, 9, kCameraSize>::Zero();
  // By the unit first: fx fy k1 k2 p1 p2 k3 go with its powers.
  const std::array<std::pair<int, int>, 5> terms{
      {{kK1, 2}, {kK2, 4}, {kP1, 1}, {kP2, 1}, {kK3, 6}}};
  Eigen::Matrix<double, 9, 1> by_unit = Eigen::Matrix<double, 9, 1>::Zero();
  by_unit[0] = rho;
  by_unit[1] = rho * (1.0 + camera[kAspect]);
  for (std::size_t i = 0; i < terms.size(); ++i) {
    const auto [index, power] = terms[i];
    const auto row = static_cast<Eigen::Index>(4 + i);
    by_unit[row] = camera[index] * power * std::pow(unit, power - 1);
    j(row, index) = std::pow(unit, power);
  }
  if (model.projection == Projection::perspective) {
    j.col(kE) = by_unit * (-unit * unit);
  } else {
    j.col(kScale) = by_unit * unit;
  }
  j(1, kAspect) = rho * unit;
  j(2, kCx) = rho;
  j(3, kCy) = rho;
  return j;
}

Pose to_pose(const Frame& frame, const Model& model, const CameraVector& camera,
             const ViewVector& view) {
  const double scale = scale_px_per_mm(frame, camera, view) / frame.rho();
  Pose pose;
  const Eigen::Vector3d rotation = view.head<3>();
  const double angle = rotation.norm();
  if (angle > 0) pose.R = rotation_about(rotation / angle, angle);
  pose.t = {view[kA] / scale, view[kB] / scale,
            model.projection == Projection::perspective ? 1.0 / (scale * camera[kE]) : 0.0};
  return pose;
}

double scale_px_per_mm(const Frame& frame, const CameraVector& camera, const ViewVector& view) {
  return frame.rho() * std::exp(view[kLogScale] + camera[kScale]);
}

}  // namespace trunnion::calibrate_lens

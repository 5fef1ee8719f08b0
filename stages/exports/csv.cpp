#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <set>
#include <string_view>

#include "core/angle.h"
#include "core/csv.h"
#include "core/rotation.h"
#include "core/text.h"
#include "stages/exports/exports.h"

namespace trunnion::exports {
namespace {

std::string row_of(const std::string& image, const std::vector<double>& values,
                   std::string_view last = {}) {
  std::string row = csv_cell(image);
  for (const double value : values) row += "," + number_text(value);
  if (!last.empty()) row += "," + std::string(last);
  return row + "\n";
}

bool contradicted(const View& view) {
  return view.state == PoseState::contradicted;
}

// Tables without sigmas can't say how little a contradicted pose is worth.
constexpr const char* kLeftOut = "# images whose poses are contradicted are left out\n";

std::string intrinsics_comment(const Scene& scene) {
  const Camera& camera = scene.camera;
  const bool perspective = camera.projection == Projection::perspective;
  std::string text = fmt::format(
      "# image {} x {} px; fx {} fy {} {}; cx {} cy {} px; pixel (0, 0) is the centre of the "
      "top-left pixel, y down\n",
      camera.width_px, camera.height_px, number_text(camera.fx), number_text(camera.fy),
      perspective ? "px"
                  : "px per mm (telecentric: scaled orthographic, the position along the "
                    "viewing direction is arbitrary)",
      number_text(camera.cx), number_text(camera.cy));
  if (camera.distorts()) {
    text += "# Brown-Conrady k1 k2 p1 p2 k3:";
    for (const double k : camera.distortion) text += " " + number_text(k);
    text += "\n";
  }
  return text;
}

std::string review_comment(const Review& review) {
  std::string text;
  for (const Exclusion& each : review.excluded) {
    text += fmt::format("# excluded by a person: {} {} ({}): {}\n", each.ring, each.station,
                        each.date, each.reason);
  }
  for (const Acceptance& each : review.accepted) {
    const std::string where = each.station        ? fmt::format("{} {}", each.ring, *each.station)
                              : each.file.empty() ? "whole set"
                                                  : each.file;
    text += fmt::format("# doubt accepted by a person: {} ({}): {} Reason: {}\n", where, each.date,
                        each.doubt, each.reason);
  }
  return text;
}

// Sigmas of omega, phi, kappa by first-order propagation of the rotation's covariance.
Eigen::Vector3d angle_sigmas(const View& view) {
  const Eigen::Matrix3d J = omega_phi_kappa_jacobian(view.pose.R);
  const Eigen::Matrix3d covariance = J * view.covariance.topLeftCorner<3, 3>() * J.transpose();
  return covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
}

// Distances between stations of one ring: neighbours, a quarter turn and half a turn apart.
std::vector<std::pair<std::size_t, std::size_t>> scale_pairs(const Scene& scene) {
  std::vector<std::pair<std::size_t, std::size_t>> pairs;
  std::size_t first = 0;
  while (first < scene.views.size()) {
    std::size_t end = first;
    while (end < scene.views.size() && scene.views[end].ring == scene.views[first].ring) ++end;
    const std::size_t n = end - first;
    for (const std::size_t step : std::set<std::size_t>{1, n / 4, n / 2}) {
      for (std::size_t i = first; step > 0 && i + step < end; ++i) pairs.emplace_back(i, i + step);
    }
    first = end;
  }
  return pairs;
}

}  // namespace

std::string exterior_csv(const Scene& scene, const Review& review) {
  std::string text =
      "# exterior orientation; X, Y, Z in mm, angles in degrees, sigmas 1 standard deviation\n"
      "# object_from_image = Rx(omega) Ry(phi) Rz(kappa); image frame x right, y up, z towards the "
      "viewer (the camera looks along -z)\n";
  text += intrinsics_comment(scene) + review_comment(review);
  text +=
      "image,X_mm,Y_mm,Z_mm,omega_deg,phi_deg,kappa_deg,sigma_X_mm,sigma_Y_mm,sigma_Z_mm,"
      "sigma_omega_deg,sigma_phi_deg,sigma_kappa_deg,state\n";
  for (const View& view : scene.views) {
    const Eigen::Vector3d centre = view.pose.centre_mm();
    const OmegaPhiKappa angles = omega_phi_kappa(view.pose.R);
    const Eigen::Vector3d sigma = view.covariance.diagonal().tail<3>().cwiseMax(0.0).cwiseSqrt();
    const Eigen::Vector3d sigma_angle = angle_sigmas(view);
    text += row_of(view.image_file,
                   {centre.x(), centre.y(), centre.z(), degrees(angles.omega), degrees(angles.phi),
                    degrees(angles.kappa), sigma.x(), sigma.y(), sigma.z(),
                    degrees(sigma_angle.x()), degrees(sigma_angle.y()), degrees(sigma_angle.z())},
                   name_of(view.state));
  }
  return text;
}

std::string poses_matrix_csv(const Scene& scene) {
  std::string text =
      "# x_camera = R x_world + t, mm; camera x right, y down, z forward; R row by row\n";
  text += kLeftOut;
  text += intrinsics_comment(scene);
  text +=
      "image,rotation_11,rotation_12,rotation_13,rotation_21,rotation_22,rotation_23,rotation_31,"
      "rotation_32,rotation_33,translation_x_mm,translation_y_mm,translation_z_mm\n";
  for (const View& view : scene.views) {
    if (contradicted(view)) continue;
    std::vector<double> values;
    for (int row = 0; row < 3; ++row) {
      for (int column = 0; column < 3; ++column) values.push_back(view.pose.R(row, column));
    }
    values.insert(values.end(), view.pose.t.data(), view.pose.t.data() + 3);
    text += row_of(view.image_file, values);
  }
  return text;
}

std::string poses_quaternion_csv(const Scene& scene) {
  std::string text =
      "# x_camera = R(q) x_world + t, mm; camera x right, y down, z forward; q unit, w >= 0\n";
  text += kLeftOut;
  text += intrinsics_comment(scene);
  text +=
      "image,translation_x_mm,translation_y_mm,translation_z_mm,rotation_w,rotation_x,rotation_y,"
      "rotation_z\n";
  for (const View& view : scene.views) {
    if (contradicted(view)) continue;
    const Eigen::Vector4d q = quaternion_wxyz(view.pose.R);
    const Eigen::Vector3d& t = view.pose.t;
    text += row_of(view.image_file, {t.x(), t.y(), t.z(), q[0], q[1], q[2], q[3]});
  }
  return text;
}

std::string scale_csv(const Scene& scene) {
  std::string text =
      "# distances between projection centres of one ring, mm; sigma 1 standard deviation, an "
      "upper bound: the errors of both stations along the line are added, since they share the "
      "axis\n"
      "image_a,image_b,distance_mm,sigma_mm\n";
  for (const auto& [a, b] : scale_pairs(scene)) {
    const View& from = scene.views[a];
    const View& to = scene.views[b];
    if (contradicted(from) || contradicted(to)) continue;
    const Eigen::Vector3d line = to.pose.centre_mm() - from.pose.centre_mm();
    const double distance = line.norm();
    if (!(distance > 0.0)) continue;
    const Eigen::Vector3d along = line / distance;
    const auto sigma = [&](const View& view) {
      return std::sqrt(std::max(0.0, along.dot(view.covariance.bottomRightCorner<3, 3>() * along)));
    };
    text += fmt::format("{},{},{},{}\n", csv_cell(from.image_file), csv_cell(to.image_file),
                        number_text(distance), number_text(sigma(from) + sigma(to)));
  }
  return text;
}

}  // namespace trunnion::exports

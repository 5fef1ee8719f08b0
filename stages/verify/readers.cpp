#include "stages/verify/readers.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <sstream>
#include <string_view>

#include "config/file_format.h"
#include "core/angle.h"
#include "core/csv.h"
#include "core/error.h"
#include "core/rotation.h"
#include "stages/verify/json.h"

namespace trunnion::verify {
namespace {

// Rows below the names of the columns; each with the expected number of cells. Comments stand
// above the names only; blank lines are left out.
std::vector<std::vector<std::string>> rows_of(std::string_view text, const std::string& file,
                                              std::size_t columns) {
  while (text.starts_with('#')) {
    text.remove_prefix(std::min(text.size(), text.find('\n')));
    if (!text.empty()) text.remove_prefix(1);
  }
  auto rows = parse_csv(text, file);
  std::erase_if(rows, [](const auto& row) { return row.size() == 1 && row[0].empty(); });
  for (const auto& row : rows) {
    if (row.size() == columns) continue;
    throw data_error(fmt::format("{}: a row has {} cells, but {} are expected; prepare again.",
                                 file, row.size(), columns));
  }
  if (!rows.empty()) rows.erase(rows.begin());
  return rows;
}

double number_of(const std::string& cell, const std::string& file) {
  std::size_t used = 0;
  double value = std::nan("");
  try {
    value = std::stod(cell, &used);
  } catch (const std::exception&) {
    used = 0;
  }
  if (used == 0 || used != cell.size()) {
    throw data_error(fmt::format("{}: \"{}\" is not a number; prepare again.", file, cell));
  }
  return value;
}

std::vector<double> numbers_of(const std::vector<std::string>& cells, const std::string& file) {
  std::vector<double> values;
  for (std::size_t i = 1; i < cells.size(); ++i) values.push_back(number_of(cells[i], file));
  return values;
}

Camera camera_of(const Json& json) {
  Camera camera;
  const bool perspective = json.at("projection") == "perspective";
  camera.projection = perspective ? Projection::perspective : Projection::telecentric;
  camera.width_px = json.at("width_px");
  camera.height_px = json.at("height_px");
  camera.fx = json.at(perspective ? "fx_px" : "fx_px_per_mm");
  camera.fy = json.at(perspective ? "fy_px" : "fy_px_per_mm");
  camera.cx = json.at("cx_px");
  camera.cy = json.at("cy_px");
  camera.distortion = json.at("distortion").get<std::array<double, 5>>();
  return camera;
}

void pose_of(const Json& json, Pose& pose, PoseCovariance& covariance) {
  for (int row = 0; row < 3; ++row) {
    pose.R.row(row) = vector_of(json.at("rotation").at(static_cast<std::size_t>(row)));
  }
  pose.t = vector_of(json.at("translation_mm"));
  for (Eigen::Index i = 0; i < 6; ++i) {
    for (Eigen::Index k = 0; k < 6; ++k) {
      covariance(i, k) =
          json.at("covariance").at(static_cast<std::size_t>(i)).at(static_cast<std::size_t>(k));
    }
  }
}

constexpr int kCamerasVersion = 1;

View view_of(const Json& json) {
  View view;
  view.name = json.at("name");
  view.image_file = json.at("image");
  view.mask_file = json.at("mask");
  view.source_file = json.at("source");
  view.ring = json.at("ring");
  view.station = json.at("station");
  view.stage_angle = radians(json.at("stage_angle_deg"));
  view.sigma_stage_angle = radians(json.at("sigma_stage_angle_deg"));
  // Version 0.1.0 wrote no state; it never looked for one either.
  const std::string state = json.value("state", std::string(name_of(PoseState::turntable_only)));
  for (const PoseState each : {PoseState::confirmed, PoseState::contradicted}) {
    if (state == name_of(each)) view.state = each;
  }
  pose_of(json.at("pose"), view.pose, view.covariance);
  pose_of(json.at("prior"), view.prior, view.prior_covariance);
  return view;
}

// The comment lines above a CSV that say size, intrinsics and, where there is any, distortion.
Camera camera_of_comment(const std::string& text, const std::string& file) {
  Camera camera;
  const std::size_t image = text.find("# image ");
  const std::size_t end = text.find('\n', image);
  if (image == std::string::npos || end == std::string::npos) {
    throw data_error(
        fmt::format("{}: the comment with the intrinsics is missing; prepare again.", file));
  }
  std::string line = text.substr(image, end - image);
  if (line.find("telecentric") != std::string::npos) camera.projection = Projection::telecentric;
  std::replace(line.begin(), line.end(), ';', ' ');
  std::istringstream words(line);
  std::string word;
  words >> word >> word >> camera.width_px >> word >> camera.height_px;
  int found = 0;
  while (words >> word) {
    double* const place = word == "fx"   ? &camera.fx
                          : word == "fy" ? &camera.fy
                          : word == "cx" ? &camera.cx
                          : word == "cy" ? &camera.cy
                                         : nullptr;
    if (place == nullptr) continue;
    words >> word;
    *place = number_of(word, file);
    ++found;
  }
  if (found != 4) {
    throw data_error(
        fmt::format("{}: the comment with the intrinsics is incomplete; prepare again.", file));
  }
  constexpr std::string_view kDistortion = "# Brown-Conrady k1 k2 p1 p2 k3:";
  if (const std::size_t at = text.find(kDistortion); at != std::string::npos) {
    std::istringstream terms(text.substr(at + kDistortion.size(), 400));
    for (double& term : camera.distortion) {
      terms >> word;
      term = number_of(word, file);
    }
  }
  return camera;
}

}  // namespace

Scene read_cameras_json(const std::string& text) {
  const std::string file = "cameras.json";
  const Json json = parsed(text, file);
  return guarded(file, [&] {
    if (json.at("format") != "trunnion cameras") {
      throw data_error(file + ": is not trunnion's; prepare again.");
    }
    check_format(file, json.at("version").get<std::int64_t>(), kCamerasVersion);
    Scene scene;
    scene.title = json.at("title");
    scene.setup_name = json.at("setup");
    scene.refined = json.at("refined");
    const Json& calibration = json.at("calibration");
    scene.lens_calibrated = calibration.at("lens_calibrated");
    scene.axis_calibrated = calibration.at("axis_calibrated");
    scene.calibration_hash = calibration.at("record_hash");
    scene.camera = camera_of(json.at("camera"));
    scene.source_camera = camera_of(json.at("source_camera"));
    scene.pixel_pitch_um = json.at("camera").at("pixel_pitch_um");
    scene.tie_points.resize(json.at("tie_points"));
    for (const Json& each : json.at("views")) scene.views.push_back(view_of(each));
    return scene;
  });
}

ReadSet read_exterior_csv(const std::string& text) {
  const std::string file = "exterior.csv";
  ReadSet set{camera_of_comment(text, file), {}, {}};
  for (auto& row : rows_of(text, file, 14)) {
    row.pop_back();  // the state, a word
    const std::vector<double> v = numbers_of(row, file);
    ReadView view{row[0], {}};
    view.pose.R = camera_from_world({radians(v[3]), radians(v[4]), radians(v[5])});
    view.pose.t = -(view.pose.R * Eigen::Vector3d(v[0], v[1], v[2]));
    set.views.push_back(view);
  }
  return set;
}

ReadSet read_matrix_csv(const std::string& text) {
  const std::string file = "poses_matrix.csv";
  ReadSet set{camera_of_comment(text, file), {}, {}};
  for (const auto& row : rows_of(text, file, 13)) {
    const std::vector<double> v = numbers_of(row, file);
    ReadView view{row[0], {}};
    for (std::size_t i = 0; i < 9; ++i) {
      view.pose.R(static_cast<Eigen::Index>(i / 3), static_cast<Eigen::Index>(i % 3)) = v[i];
    }
    view.pose.t = {v[9], v[10], v[11]};
    set.views.push_back(view);
  }
  return set;
}

ReadSet read_quaternion_csv(const std::string& text) {
  const std::string file = "poses_quaternion.csv";
  ReadSet set{camera_of_comment(text, file), {}, {}};
  for (const auto& row : rows_of(text, file, 8)) {
    const std::vector<double> v = numbers_of(row, file);
    ReadView view{row[0], {}};
    view.pose.R = Eigen::Quaterniond(v[3], v[4], v[5], v[6]).toRotationMatrix();
    view.pose.t = {v[0], v[1], v[2]};
    set.views.push_back(view);
  }
  return set;
}

std::vector<Eigen::Vector3d> read_ply_points(const std::string& text) {
  std::istringstream stream(text);
  std::string line;
  std::size_t count = 0;
  while (std::getline(stream, line) && line != "end_header") {
    if (line.starts_with("element vertex ")) {
      count = static_cast<std::size_t>(std::strtoul(line.c_str() + 15, nullptr, 10));
    }
  }
  std::vector<Eigen::Vector3d> points;
  while (points.size() < count && std::getline(stream, line)) {
    std::istringstream words(line);
    Eigen::Vector3d point;
    if (!(words >> point.x() >> point.y() >> point.z())) break;
    points.push_back(point);
  }
  if (points.size() != count) {
    throw data_error(fmt::format("A PLY file declares {} points and contains {}; prepare again.",
                                 count, points.size()));
  }
  return points;
}

Camera read_camera_yml(const std::string& text, const std::string& prefix) {
  try {
    const cv::FileStorage file(text, cv::FileStorage::READ | cv::FileStorage::MEMORY);
    Camera camera;
    camera.width_px = static_cast<int>(file[prefix + "image_width"]);
    camera.height_px = static_cast<int>(file[prefix + "image_height"]);
    const bool perspective = static_cast<std::string>(file["projection"]) == "perspective";
    camera.projection = perspective ? Projection::perspective : Projection::telecentric;
    cv::Mat K;
    cv::Mat k;
    file[prefix + (perspective ? "camera_matrix" : "telecentric_matrix")] >> K;
    file[prefix + "distortion_coefficients"] >> k;
    if (K.size() != cv::Size(3, 3) || k.total() != 5) {
      throw data_error("camera.yml: a matrix is missing or of another size; prepare again.");
    }
    camera.fx = K.at<double>(0, 0);
    camera.fy = K.at<double>(1, 1);
    camera.cx = K.at<double>(0, 2);
    camera.cy = K.at<double>(1, 2);
    for (int i = 0; i < 5; ++i) camera.distortion[static_cast<std::size_t>(i)] = k.at<double>(i);
    return camera;
  } catch (const cv::Exception& error) {
    throw data_error(fmt::format("camera.yml: is unreadable ({}); prepare again.", error.err));
  }
}

std::vector<ReadDistance> read_scale_csv(const std::string& text) {
  const std::string file = "scale.csv";
  std::vector<ReadDistance> distances;
  for (const auto& row : rows_of(text, file, 4)) {
    distances.push_back({row[0], row[1], number_of(row[2], file)});
  }
  return distances;
}

}  // namespace trunnion::verify

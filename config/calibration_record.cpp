#include "config/calibration_record.h"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "core/angle.h"
#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

template <typename Matrix>
Json matrix_to_json(const Matrix& matrix) {
  Json rows = Json::array();
  for (Eigen::Index i = 0; i < matrix.rows(); ++i) {
    Json row = Json::array();
    for (Eigen::Index j = 0; j < matrix.cols(); ++j) row.push_back(matrix(i, j));
    rows.push_back(std::move(row));
  }
  return rows;
}

template <typename Matrix>
void matrix_from_json(const Json& rows, Matrix& matrix, const std::string& field) {
  const auto size = [](const Json& json) { return static_cast<Eigen::Index>(json.size()); };
  bool good = rows.is_array() && size(rows) == matrix.rows();
  for (Eigen::Index i = 0; good && i < matrix.rows(); ++i) {
    const Json& row = rows[static_cast<std::size_t>(i)];
    good = row.is_array() && size(row) == matrix.cols();
    for (Eigen::Index j = 0; good && j < matrix.cols(); ++j) {
      const Json& value = row[static_cast<std::size_t>(j)];
      good = value.is_number() && std::isfinite(value.get<double>());
      if (good) matrix(i, j) = value.get<double>();
    }
  }
  if (!good) {
    throw data_error(
        fmt::format("{} must be {} x {} numbers", field, matrix.rows(), matrix.cols()));
  }
}

Json provenance_to_json(const Provenance& provenance) {
  return {{"date", provenance.date},
          {"tool_version", provenance.tool_version},
          {"images", provenance.images},
          {"image_hashes", provenance.image_hashes},
          {"notes", provenance.notes}};
}

Provenance provenance_from_json(const Json& json) {
  return {json.at("date"), json.at("tool_version"), json.at("images"), json.at("image_hashes"),
          json.at("notes")};
}

Json camera_to_json(const Camera& camera) {
  const bool perspective = camera.projection == Projection::perspective;
  return {{"projection", perspective ? "perspective" : "telecentric"},
          {"width_px", camera.width_px},
          {"height_px", camera.height_px},
          {perspective ? "fx_px" : "fx_px_per_mm", camera.fx},
          {perspective ? "fy_px" : "fy_px_per_mm", camera.fy},
          {"cx_px", camera.cx},
          {"cy_px", camera.cy},
          {"distortion_k1_k2_p1_p2_k3", camera.distortion}};
}

Camera camera_from_json(const Json& json) {
  Camera camera;
  const std::string projection = json.at("projection");
  if (projection != "perspective" && projection != "telecentric") {
    throw data_error("camera.projection must be \"perspective\" or \"telecentric\"");
  }
  const bool perspective = projection == "perspective";
  camera.projection = perspective ? Projection::perspective : Projection::telecentric;
  camera.width_px = json.at("width_px");
  camera.height_px = json.at("height_px");
  camera.fx = json.at(perspective ? "fx_px" : "fx_px_per_mm");
  camera.fy = json.at(perspective ? "fy_px" : "fy_px_per_mm");
  camera.cx = json.at("cx_px");
  camera.cy = json.at("cy_px");
  camera.distortion = json.at("distortion_k1_k2_p1_p2_k3");
  if (!(camera.fx > 0) || !(camera.fy > 0) || camera.width_px < 1 || camera.height_px < 1) {
    throw data_error("camera sizes and scale factors must be positive");
  }
  return camera;
}

Json lens_to_json(const LensCalibration& lens) {
  return {{"camera", camera_to_json(lens.camera)},
          {"covariance_fx_fy_cx_cy_k1_k2_p1_p2_k3", matrix_to_json(lens.covariance)},
          {"model", lens.model},
          {"rms_px", lens.rms_px},
          {"images_used", lens.images_used},
          {"corners_used", lens.corners_used},
          {"magnification", lens.magnification},
          {"magnification_sigma", lens.magnification_sigma},
          {"quality", lens.quality},
          {"provenance", provenance_to_json(lens.provenance)}};
}

LensCalibration lens_from_json(const Json& json) {
  LensCalibration lens;
  lens.camera = camera_from_json(json.at("camera"));
  matrix_from_json(json.at("covariance_fx_fy_cx_cy_k1_k2_p1_p2_k3"), lens.covariance,
                   "lens.covariance");
  lens.model = json.at("model");
  lens.rms_px = json.at("rms_px");
  lens.images_used = json.at("images_used");
  lens.corners_used = json.at("corners_used");
  lens.magnification = json.at("magnification");
  lens.magnification_sigma = json.at("magnification_sigma");
  lens.quality = json.at("quality");
  lens.provenance = provenance_from_json(json.at("provenance"));
  return lens;
}

Json axis_to_json(const AxisCalibration& axis) {
  Json rings = Json::array();
  for (const RingAxis& ring : axis.rings) {
    const Axis& a = ring.axis;
    rings.push_back({{"ring", ring.ring},
                     {"elevation_deg", degrees(ring.elevation)},
                     {"direction", {a.direction.x(), a.direction.y(), a.direction.z()}},
                     {"origin_mm", {a.origin_mm.x(), a.origin_mm.y(), a.origin_mm.z()}},
                     {"azimuth_deg", degrees(ring.azimuth)},
                     {"covariance_direction_rad_origin_mm", matrix_to_json(ring.covariance)}});
  }
  return {{"frame", "camera: x right, y down, z forward"},
          {"rings", rings},
          {"sigma_angle_deg", degrees(axis.sigma_angle)},
          {"rms_px", axis.rms_px},
          {"quality", axis.quality},
          {"provenance", provenance_to_json(axis.provenance)}};
}

AxisCalibration axis_from_json(const Json& json) {
  AxisCalibration axis;
  for (const Json& item : json.at("rings")) {
    RingAxis ring;
    ring.ring = item.at("ring");
    ring.elevation = radians(item.at("elevation_deg"));
    ring.azimuth = radians(item.value("azimuth_deg", 0.0));
    const std::array<double, 3> direction = item.at("direction");
    const std::array<double, 3> origin = item.at("origin_mm");
    ring.axis.direction = Eigen::Vector3d(direction[0], direction[1], direction[2]);
    ring.axis.origin_mm = Eigen::Vector3d(origin[0], origin[1], origin[2]);
    if (std::abs(ring.axis.direction.norm() - 1.0) > 1e-6) {
      throw data_error("axis.rings.direction must be a unit vector");
    }
    matrix_from_json(item.at("covariance_direction_rad_origin_mm"), ring.covariance,
                     "axis.rings.covariance");
    axis.rings.push_back(ring);
  }
  axis.sigma_angle = radians(json.at("sigma_angle_deg"));
  axis.rms_px = json.at("rms_px");
  axis.quality = json.at("quality");
  axis.provenance = provenance_from_json(json.at("provenance"));
  return axis;
}

}  // namespace

std::filesystem::path record_path(const std::filesystem::path& setup_file) {
  return setup_file.parent_path() / (setup_file.stem().string() + ".calibration.json");
}

CalibrationRecord record_for(const Setup& setup) {
  CalibrationRecord record;
  record.setup_name = setup.name;
  record.pixel_pitch_um = setup.pixel_pitch_um;
  record.focal_length_mm = setup.focal_length_mm;
  record.magnification = setup.magnification;
  record.extension_mm = setup.extension_mm;
  record.converter = setup.converter;
  record.f_number = setup.f_number;
  record.moves = setup.moves;
  record.rescaled = setup.rescaled;
  return record;
}

std::vector<std::string> mismatches(const CalibrationRecord& record, const Setup& setup) {
  std::vector<std::string> found;
  const auto compare = [&found](const char* field, double then, double now) {
    if (std::abs(then - now) > 1e-9 * std::max(1.0, std::abs(now))) {
      found.push_back(
          fmt::format("{} was {} at calibration and is {} in the setup", field, then, now));
    }
  };
  compare("body.pixel_pitch_um", record.pixel_pitch_um, setup.pixel_pitch_um);
  compare("lens.focal_length_mm", record.focal_length_mm, setup.focal_length_mm);
  compare("lens.magnification", record.magnification, setup.magnification);
  compare("lens.extension_mm", record.extension_mm, setup.extension_mm);
  compare("lens.converter", record.converter, setup.converter);
  compare("lens.f_number", record.f_number, setup.f_number);
  compare("fusion.moves (0 rail, 1 lens)", static_cast<double>(record.moves),
          static_cast<double>(setup.moves));
  compare("fusion.rescaled", record.rescaled ? 1 : 0, setup.rescaled ? 1 : 0);
  if (record.lens) {
    compare("body.width_px", record.lens->camera.width_px, setup.width_px);
    compare("body.height_px", record.lens->camera.height_px, setup.height_px);
  }
  return found;
}

CalibrationRecord parse_record(std::string_view text, const std::string& name) {
  try {
    const Json json = Json::parse(text);
    if (json.at("format") != "trunnion calibration record 1") {
      throw data_error("format is not \"trunnion calibration record 1\"");
    }
    CalibrationRecord record;
    const Json& setup = json.at("setup");
    record.setup_name = setup.at("name");
    record.pixel_pitch_um = setup.at("pixel_pitch_um");
    record.focal_length_mm = setup.at("focal_length_mm");
    record.magnification = setup.at("magnification");
    record.extension_mm = setup.at("extension_mm");
    record.converter = setup.at("converter");
    record.f_number = setup.at("f_number");
    record.moves = setup.at("moves") == "lens" ? FocusMotion::lens : FocusMotion::rail;
    record.rescaled = setup.at("rescaled");
    if (json.contains("lens")) record.lens = lens_from_json(json.at("lens"));
    if (json.contains("axis")) record.axis = axis_from_json(json.at("axis"));
    record.hash = hash_bytes(text);
    return record;
  } catch (const Json::exception& error) {
    throw data_error(fmt::format("{}: {}; calibrate the setup again.", name, error.what()));
  } catch (const Error& error) {
    throw data_error(fmt::format("{}: {}; calibrate the setup again.", name, error.what()));
  }
}

CalibrationRecord read_record(const std::filesystem::path& file) {
  return parse_record(read_file(file), file.string());
}

std::string record_to_json(const CalibrationRecord& record) {
  Json json{{"format", "trunnion calibration record 1"},
            {"setup",
             {{"name", record.setup_name},
              {"pixel_pitch_um", record.pixel_pitch_um},
              {"focal_length_mm", record.focal_length_mm},
              {"magnification", record.magnification},
              {"extension_mm", record.extension_mm},
              {"converter", record.converter},
              {"f_number", record.f_number},
              {"moves", record.moves == FocusMotion::lens ? "lens" : "rail"},
              {"rescaled", record.rescaled}}}};
  if (record.lens) json["lens"] = lens_to_json(*record.lens);
  if (record.axis) json["axis"] = axis_to_json(*record.axis);
  return json.dump(2) + "\n";
}

void write_record(const std::filesystem::path& file, const CalibrationRecord& record) {
  write_file(file, record_to_json(record));
}

}  // namespace trunnion

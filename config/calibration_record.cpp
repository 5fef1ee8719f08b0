#include "config/calibration_record.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>

#include "config/file_format.h"
#include "config/json_reader.h"
#include "core/angle.h"
#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kReferences[] = {"first", "middle", "last"};
constexpr std::string_view kFormat = "trunnion calibration record ";
constexpr int kRecordVersion = 1;  // raised where a reader of the version before would go wrong
constexpr int kMaxCount = 1'000'000'000;
constexpr double kSmallest = 1e-9;

std::string format_text() {
  return fmt::format("{}{}", kFormat, kRecordVersion);
}

// The whole number that ends `text` behind `prefix`; 0 where something else does.
std::int64_t number_behind(std::string_view text, std::string_view prefix) {
  text.remove_prefix(prefix.size());
  std::int64_t number = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), number);
  return error == std::errc() && end == text.data() + text.size() ? number : 0;
}

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

template <int N>
Eigen::Matrix<double, N, N> covariance_from(const JsonReader& in, const char* key) {
  const std::vector<double> values = in.matrix(key, N, N);
  const Eigen::Matrix<double, N, N> matrix =
      Eigen::Map<const Eigen::Matrix<double, N, N, Eigen::RowMajor>>(values.data());
  if (matrix.diagonal().minCoeff() < 0) in.fail(key, "must not hold negative variances");
  return matrix;
}

Eigen::Vector3d vector_from(const JsonReader& in, const char* key) {
  return Eigen::Vector3d(in.numbers(key, 3).data());
}

Json provenance_to_json(const Provenance& provenance) {
  return {{"date", provenance.date},
          {"tool_version", provenance.tool_version},
          {"images", provenance.images},
          {"image_hashes", provenance.image_hashes},
          {"notes", provenance.notes}};
}

Provenance provenance_from(const JsonReader& in) {
  return {in.text("date"), in.text("tool_version"), in.texts("images"), in.texts("image_hashes"),
          in.texts("notes")};
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

Camera camera_from(const JsonReader& in) {
  Camera camera;
  const bool perspective = in.choice("projection", {"perspective", "telecentric"}) == 0;
  camera.projection = perspective ? Projection::perspective : Projection::telecentric;
  camera.width_px = in.integer("width_px", 1, 200'000);
  camera.height_px = in.integer("height_px", 1, 200'000);
  camera.fx = in.number(perspective ? "fx_px" : "fx_px_per_mm", kSmallest);
  camera.fy = in.number(perspective ? "fy_px" : "fy_px_per_mm", kSmallest);
  camera.cx = in.number("cx_px");
  camera.cy = in.number("cy_px");
  const std::vector<double> distortion = in.numbers("distortion_k1_k2_p1_p2_k3", 5);
  std::copy(distortion.begin(), distortion.end(), camera.distortion.begin());
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

LensCalibration lens_from(const JsonReader& in) {
  LensCalibration lens;
  lens.camera = camera_from(in.object("camera"));
  lens.covariance = covariance_from<9>(in, "covariance_fx_fy_cx_cy_k1_k2_p1_p2_k3");
  lens.model = in.text("model");
  lens.rms_px = in.number("rms_px", 0);
  lens.images_used = in.integer("images_used", 0, kMaxCount);
  lens.corners_used = in.integer("corners_used", 0, kMaxCount);
  lens.magnification = in.number("magnification", 0);
  lens.magnification_sigma = in.number("magnification_sigma", 0);
  lens.quality = in.text("quality");
  lens.provenance = provenance_from(in.object("provenance"));
  return lens;
}

Json scale_to_json(const ScaleCalibration& scale) {
  return {{"mm_per_px", scale.mm_per_px},
          {"mm_per_px_sigma", scale.mm_per_px_sigma},
          {"rulings", scale.rulings},
          {"provenance", provenance_to_json(scale.provenance)}};
}

ScaleCalibration scale_from(const JsonReader& in) {
  ScaleCalibration scale;
  scale.mm_per_px = in.number("mm_per_px", kSmallest);
  scale.mm_per_px_sigma = in.number("mm_per_px_sigma", 0);
  scale.rulings = in.integer("rulings", 0, kMaxCount);
  scale.provenance = provenance_from(in.object("provenance"));
  return scale;
}

const std::array<const char*, 2> kTiltKinds{"specimen", "stage"};

Json tilt_to_json(const Tilt& tilt) {
  return {{"carries", kTiltKinds.at(static_cast<std::size_t>(tilt.axis.kind))},
          {"angle_deg", degrees(tilt.angle)},
          {"azimuth_deg", degrees(tilt.axis.azimuth)},
          {"inclination_deg", degrees(tilt.axis.inclination)},
          {"across_mm", tilt.axis.across_mm},
          {"height_mm", tilt.axis.height_mm},
          {"covariance_azimuth_inclination_across_height_angle_rad_mm",
           matrix_to_json(tilt.covariance)}};
}

Tilt tilt_from(const JsonReader& in) {
  Tilt tilt;
  tilt.axis.kind = static_cast<TiltKind>(in.choice("carries", {"specimen", "stage"}));
  tilt.angle = radians(in.number("angle_deg", -90, 90));
  tilt.axis.azimuth = radians(in.number("azimuth_deg", -720, 720));
  tilt.axis.inclination = radians(in.number("inclination_deg", -89, 89));
  tilt.axis.across_mm = in.number("across_mm");
  tilt.axis.height_mm = in.number("height_mm");
  tilt.covariance = covariance_from<TiltCovariance::RowsAtCompileTime>(
      in, "covariance_azimuth_inclination_across_height_angle_rad_mm");
  return tilt;
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
    if (!ring.covariance_with_lens.isZero()) {
      rings.back()["covariance_with_lens"] = matrix_to_json(ring.covariance_with_lens);
    }
    if (tilts(ring)) rings.back()["tilt"] = tilt_to_json(ring.tilt);
  }
  return {{"frame", "camera: x right, y down, z forward"},
          {"rings", rings},
          {"sigma_angle_deg", degrees(axis.sigma_angle)},
          {"rms_px", axis.rms_px},
          {"reference_mm", axis.reference_mm},
          {"quality", axis.quality},
          {"provenance", provenance_to_json(axis.provenance)}};
}

AxisCalibration axis_from(const JsonReader& in) {
  AxisCalibration axis;
  for (const JsonReader& item : in.list("rings")) {
    RingAxis ring;
    ring.ring = item.text("ring");
    ring.elevation = radians(item.number("elevation_deg", -90, 90));
    ring.azimuth = radians(item.has("azimuth_deg") ? item.number("azimuth_deg", -720, 720) : 0.0);
    ring.axis.direction = vector_from(item, "direction");
    ring.axis.origin_mm = vector_from(item, "origin_mm");
    if (std::abs(ring.axis.direction.norm() - 1.0) > 1e-6) {
      item.fail("direction", "must be a unit vector");
    }
    ring.covariance = covariance_from<AxisCovariance::RowsAtCompileTime>(
        item, "covariance_direction_rad_origin_mm");
    if (item.has("covariance_with_lens")) {
      const std::vector<double> values = item.matrix("covariance_with_lens", 5, 9);
      ring.covariance_with_lens =
          Eigen::Map<const Eigen::Matrix<double, 5, 9, Eigen::RowMajor>>(values.data());
    }
    if (item.has("tilt")) ring.tilt = tilt_from(item.object("tilt"));
    axis.rings.push_back(ring);
  }
  axis.sigma_angle = radians(in.number("sigma_angle_deg", 0, 360));
  axis.rms_px = in.number("rms_px", 0);
  if (in.has("reference_mm")) axis.reference_mm = in.number("reference_mm", -1000, 1000);
  axis.quality = in.text("quality");
  axis.provenance = provenance_from(in.object("provenance"));
  return axis;
}

}  // namespace

bool tilts(const RingAxis& ring) {
  return ring.tilt.angle != 0.0 || !ring.tilt.covariance.isZero();
}

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
  record.reference = setup.reference;
  return record;
}

std::vector<std::string> mismatches(const CalibrationRecord& record, const Setup& setup,
                                    bool reference_given) {
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
  // The pinhole stands where the reference slice was taken; focused by the lens, its principal
  // distance is that of the slice too.
  const bool matters =
      setup.moves == FocusMotion::lens || (record.axis.has_value() && !reference_given);
  if (setup.rescaled && matters) {
    compare("fusion.reference (0 first, 1 middle, 2 last)", static_cast<double>(record.reference),
            static_cast<double>(setup.reference));
  }
  if (record.lens) {
    compare("body.width_px", record.lens->camera.width_px, setup.width_px);
    compare("body.height_px", record.lens->camera.height_px, setup.height_px);
  }
  return found;
}

double measured_magnification(const CalibrationRecord& record) {
  if (record.scale) return record.pixel_pitch_um * 1e-3 / record.scale->mm_per_px;
  return record.lens ? record.lens->magnification : 0.0;
}

CalibrationRecord parse_record(std::string_view text, const std::string& name) {
  const JsonReader in = JsonReader::parse(text, name, "calibrate the setup again");
  const std::string format = in.text("format");
  if (format.starts_with(kFormat))
    check_format(name, number_behind(format, kFormat), kRecordVersion);
  if (format != format_text()) in.fail("format", fmt::format("must be \"{}\"", format_text()));
  CalibrationRecord record;
  const JsonReader setup = in.object("setup");
  record.setup_name = setup.text("name");
  record.pixel_pitch_um = setup.number("pixel_pitch_um", 0);
  record.focal_length_mm = setup.number("focal_length_mm", 0);
  record.magnification = setup.number("magnification", 0);
  record.extension_mm = setup.number("extension_mm", 0);
  record.converter = setup.number("converter", 0);
  record.f_number = setup.number("f_number", 0);
  record.moves =
      setup.choice("moves", {"rail", "lens"}) == 0 ? FocusMotion::rail : FocusMotion::lens;
  record.rescaled = setup.boolean("rescaled");
  if (setup.has("reference")) {
    record.reference =
        static_cast<ReferenceSlice>(setup.choice("reference", {"first", "middle", "last"}));
  }
  if (in.has("lens")) record.lens = lens_from(in.object("lens"));
  if (in.has("scale")) record.scale = scale_from(in.object("scale"));
  if (in.has("axis")) record.axis = axis_from(in.object("axis"));
  record.hash = hash_bytes(text);
  return record;
}

CalibrationRecord read_record(const std::filesystem::path& file) {
  return parse_record(read_file(file), file.string());
}

std::string record_to_json(const CalibrationRecord& record) {
  Json json{{"format", format_text()},
            {"setup",
             {{"name", record.setup_name},
              {"pixel_pitch_um", record.pixel_pitch_um},
              {"focal_length_mm", record.focal_length_mm},
              {"magnification", record.magnification},
              {"extension_mm", record.extension_mm},
              {"converter", record.converter},
              {"f_number", record.f_number},
              {"moves", record.moves == FocusMotion::lens ? "lens" : "rail"},
              {"rescaled", record.rescaled},
              {"reference", kReferences[static_cast<std::size_t>(record.reference)]}}}};
  if (record.lens) json["lens"] = lens_to_json(*record.lens);
  if (record.scale) json["scale"] = scale_to_json(*record.scale);
  if (record.axis) json["axis"] = axis_to_json(*record.axis);
  return json.dump(2) + "\n";
}

void write_record(const std::filesystem::path& file, const CalibrationRecord& record) {
  write_file(file, record_to_json(record));
}

}  // namespace trunnion

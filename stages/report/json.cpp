#include "stages/report/json.h"

#include <fmt/format.h>

#include <cmath>

#include "config/review_json.h"
#include "core/angle.h"
#include "core/cautions.h"
#include "core/error.h"
#include "core/finding_text.h"

namespace trunnion::report {
namespace {

using Json = nlohmann::ordered_json;
constexpr double kDegrees = degrees(1.0);

// Significant digits; not finite becomes null.
Json digits(double value, int count) {
  if (!std::isfinite(value)) return nullptr;
  return std::stod(fmt::format("{:.{}g}", value, count));
}
double fixed(double value, double step) {
  return std::round(value / step) * step;
}

template <class T>
Json optional(const std::optional<T>& value, double factor = 1.0) {
  if (!value) return nullptr;
  if constexpr (std::is_integral_v<T>) {
    return *value;
  } else {
    return digits(*value * factor, 6);
  }
}
template <class T>
void read_optional(const Json& json, const char* key, std::optional<T>& value,
                   double factor = 1.0) {
  const auto found = json.find(key);
  if (found == json.end() || found->is_null()) return;
  if constexpr (std::is_integral_v<T>) {
    value = found->get<T>();
  } else {
    value = found->get<T>() * factor;
  }
}

// Rows and translation come back bit for bit; quaternion and centre are there to be read.
Json pose_json(const Pose& pose) {
  const Eigen::Vector4d q = quaternion_wxyz(pose.R);
  const Eigen::Vector3d c = pose.centre_mm();
  Json rows = Json::array();
  for (int i = 0; i < 9; ++i) rows.push_back(pose.R(i / 3, i % 3));
  return {{"rotation_wxyz", {q[0], q[1], q[2], q[3]}},
          {"centre_mm", {c[0], c[1], c[2]}},
          {"rotation_rows", std::move(rows)},
          {"translation_mm", {pose.t[0], pose.t[1], pose.t[2]}}};
}
Pose read_pose(const Json& json) {
  Pose pose;
  for (int i = 0; i < 9; ++i) {
    pose.R(i / 3, i % 3) = json.at("rotation_rows").at(static_cast<std::size_t>(i)).get<double>();
  }
  for (int i = 0; i < 3; ++i) {
    pose.t[i] = json.at("translation_mm").at(static_cast<std::size_t>(i)).get<double>();
  }
  return pose;
}

Json camera_json(const Camera& camera) {
  const auto& d = camera.distortion;
  return {
      {"projection", camera.projection == Projection::telecentric ? "telecentric" : "perspective"},
      {"width_px", camera.width_px},
      {"height_px", camera.height_px},
      {"fx", camera.fx},
      {"fy", camera.fy},
      {"cx_px", camera.cx},
      {"cy_px", camera.cy},
      {"distortion_k1_k2_p1_p2_k3", {d[0], d[1], d[2], d[3], d[4]}}};
}
Camera read_camera(const Json& json) {
  Camera camera;
  camera.projection =
      json.at("projection") == "telecentric" ? Projection::telecentric : Projection::perspective;
  json.at("width_px").get_to(camera.width_px);
  json.at("height_px").get_to(camera.height_px);
  json.at("fx").get_to(camera.fx);
  json.at("fy").get_to(camera.fy);
  json.at("cx_px").get_to(camera.cx);
  json.at("cy_px").get_to(camera.cy);
  const auto& d = json.at("distortion_k1_k2_p1_p2_k3");
  for (std::size_t i = 0; i < 5; ++i) camera.distortion[i] = d.at(i).get<double>();
  return camera;
}

Json residuals_json(const std::vector<ResidualVector>& residuals) {
  Json list = Json::array();
  for (const ResidualVector& r : residuals) {
    list.push_back(
        {digits(fixed(r.expected_px.x(), 0.1), 7), digits(fixed(r.expected_px.y(), 0.1), 7),
         digits(r.seen_minus_expected_px.x(), 3), digits(r.seen_minus_expected_px.y(), 3)});
  }
  return list;
}

Json view_json(const ReportView& view, std::size_t index) {
  const ViewThumbnails& p = view.pictures;
  const auto file = [index](const std::string& bytes, const char* which) -> Json {
    return bytes.empty() ? Json(nullptr) : Json(picture_name(index, which));
  };
  return {{"name", view.name},
          {"ring", view.ring},
          {"station", view.station},
          {"stage_angle_deg", digits(view.stage_angle * kDegrees, 8)},
          {"source_file", view.source_file},
          {"image_file", view.image_file},
          {"mask_file", view.mask_file},
          {"source_hash", view.source_hash},
          {"sharpness", optional(view.sharpness)},
          {"exposure", optional(view.exposure)},
          {"mask_area", optional(view.mask_area)},
          {"mask_confidence", optional(view.mask_confidence)},
          {"spots_repaired", optional(view.spots_repaired)},
          {"pose_state", name_of(view.pose_state)},
          {"angle_correction_deg", optional(view.angle_correction, kDegrees)},
          {"inliers", optional(view.inliers)},
          {"residual_px", optional(view.residual_px)},
          {"sigma_position_mm", optional(view.sigma_position_mm)},
          {"sigma_rotation_deg", optional(view.sigma_rotation, kDegrees)},
          {"prior", pose_json(view.prior)},
          {"pose", pose_json(view.pose)},
          {"before", file(p.before_jpeg, "before")},
          {"after", file(p.after_jpeg, "after")},
          {"before_size_px", {p.before_width_px, p.before_height_px}},
          {"after_size_px", {p.after_width_px, p.after_height_px}},
          {"outline", p.outline},
          {"residuals_x_y_dx_dy_px", residuals_json(view.residuals)}};
}

std::vector<ResidualVector> read_residuals(const Json& json) {
  std::vector<ResidualVector> residuals;
  for (const Json& r : json) {
    residuals.push_back({{r.at(0).get<double>(), r.at(1).get<double>()},
                         {r.at(2).get<double>(), r.at(3).get<double>()}});
  }
  return residuals;
}

ReportView read_view(const Json& json) {
  ReportView view;
  json.at("name").get_to(view.name);
  json.at("ring").get_to(view.ring);
  json.at("station").get_to(view.station);
  view.stage_angle = json.at("stage_angle_deg").get<double>() / kDegrees;
  json.at("source_file").get_to(view.source_file);
  json.at("image_file").get_to(view.image_file);
  json.at("mask_file").get_to(view.mask_file);
  json.at("source_hash").get_to(view.source_hash);
  read_optional(json, "sharpness", view.sharpness);
  read_optional(json, "exposure", view.exposure);
  read_optional(json, "mask_area", view.mask_area);
  read_optional(json, "mask_confidence", view.mask_confidence);
  read_optional(json, "spots_repaired", view.spots_repaired);
  const std::string state = json.value("pose_state", std::string());
  for (const PoseState each : {PoseState::confirmed, PoseState::contradicted}) {
    if (state == name_of(each)) view.pose_state = each;
  }
  read_optional(json, "angle_correction_deg", view.angle_correction, 1 / kDegrees);
  read_optional(json, "inliers", view.inliers);
  read_optional(json, "residual_px", view.residual_px);
  read_optional(json, "sigma_position_mm", view.sigma_position_mm);
  read_optional(json, "sigma_rotation_deg", view.sigma_rotation, 1 / kDegrees);
  view.prior = read_pose(json.at("prior"));
  view.pose = read_pose(json.at("pose"));
  view.residuals = read_residuals(json.at("residuals_x_y_dx_dy_px"));
  json.at("outline").get_to(view.pictures.outline);
  json.at("before_size_px").at(0).get_to(view.pictures.before_width_px);
  json.at("before_size_px").at(1).get_to(view.pictures.before_height_px);
  json.at("after_size_px").at(0).get_to(view.pictures.after_width_px);
  json.at("after_size_px").at(1).get_to(view.pictures.after_height_px);
  return view;
}

Json facts_json(const std::vector<ReportFact>& facts) {
  Json list = Json::array();
  for (const ReportFact& fact : facts) list.push_back({{"name", fact.name}, {"value", fact.value}});
  return list;
}
std::vector<ReportFact> read_facts(const Json& json) {
  std::vector<ReportFact> facts;
  for (const Json& fact : json) {
    facts.push_back({fact.at("name").get<std::string>(), fact.at("value").get<std::string>()});
  }
  return facts;
}

Findings read_findings(const Json& json) {
  Findings findings;
  for (const Json& f : json) {
    Finding finding;
    for (const Severity s : {Severity::note, Severity::doubt, Severity::fault}) {
      if (f.at("severity") == name_of(s)) finding.severity = s;
    }
    f.at("stage").get_to(finding.stage);
    f.at("file").get_to(finding.file);
    f.at("what").get_to(finding.what);
    f.at("remedy").get_to(finding.remedy);
    findings.push_back(std::move(finding));
  }
  return findings;
}

Json judgement_json(const ReportData& data) {
  const Judgement judgement = judge(data);
  return {{"verdict", name_of(judgement.verdict)},
          {"sentence", judgement.sentence},
          {"to_do", to_do_json(judgement.to_do)},
          {"notes", to_do_json(judgement.notes)}};
}

Json geometry_json(const ReportData& data) {
  Json points = Json::array();
  for (const ReportPoint& p : data.tie_points) {
    points.push_back({digits(p.position_mm.x(), 6), digits(p.position_mm.y(), 6),
                      digits(p.position_mm.z(), 6), p.rgb[0], p.rgb[1], p.rgb[2]});
  }
  return {{"camera", camera_json(data.camera)},
          {"source_camera", camera_json(data.source_camera)},
          {"pixel_pitch_um", data.pixel_pitch_um},
          {"lens_calibrated", data.lens_calibrated},
          {"axis_calibrated", data.axis_calibrated},
          {"refined", data.refined},
          {"tie_points_total", data.tie_points_total},
          {"tie_points_x_y_z_mm_r_g_b", std::move(points)}};
}

void read_geometry(const Json& json, ReportData& data) {
  data.camera = read_camera(json.at("camera"));
  data.source_camera = read_camera(json.at("source_camera"));
  json.at("pixel_pitch_um").get_to(data.pixel_pitch_um);
  json.at("lens_calibrated").get_to(data.lens_calibrated);
  json.at("axis_calibrated").get_to(data.axis_calibrated);
  json.at("refined").get_to(data.refined);
  json.at("tie_points_total").get_to(data.tie_points_total);
  for (const Json& p : json.at("tie_points_x_y_z_mm_r_g_b")) {
    data.tie_points.push_back(
        {{p.at(0).get<float>(), p.at(1).get<float>(), p.at(2).get<float>()},
         {p.at(3).get<std::uint8_t>(), p.at(4).get<std::uint8_t>(), p.at(5).get<std::uint8_t>()}});
  }
}

Json cautions_json() {
  Json list = Json::array();
  for (const Caution& caution : cautions()) {
    list.push_back({{"subject", caution.subject}, {"text", caution.text}});
  }
  return {{"rule", cautions_rule()}, {"list", std::move(list)}};
}

void add_lists(Json& json, const ReportData& data) {
  json["rings"] = Json::array();
  for (const ReportRing& ring : data.rings) {
    json["rings"].push_back({{"name", ring.name},
                             {"elevation_deg", digits(ring.elevation * kDegrees, 6)},
                             {"stations", ring.stations}});
  }
  json["gaps"] = Json::array();
  for (const ReportGap& gap : data.gaps) {
    json["gaps"].push_back({{"ring", gap.ring},
                            {"station", gap.station},
                            {"stage_angle_deg", digits(gap.stage_angle * kDegrees, 8)},
                            {"file", gap.file}});
  }
  json["spots"] = Json::array();
  for (const ReportSpot& spot : data.spots) {
    json["spots"].push_back({{"x_px", digits(spot.x_px, 7)},
                             {"y_px", digits(spot.y_px, 7)},
                             {"diameter_px", digits(spot.diameter_px, 4)},
                             {"contrast", digits(spot.contrast, 4)}});
  }
  json["timings"] = Json::array();
  for (const ReportTiming& timing : data.timings) {
    json["timings"].push_back({{"stage", timing.stage},
                               {"seconds", digits(timing.seconds, 4)},
                               {"images", timing.images}});
  }
}

void read_lists(const Json& json, ReportData& data) {
  for (const Json& ring : json.at("rings")) {
    data.rings.push_back({ring.at("name").get<std::string>(),
                          ring.at("elevation_deg").get<double>() / kDegrees,
                          ring.at("stations").get<int>()});
  }
  for (const Json& gap : json.at("gaps")) {
    data.gaps.push_back({gap.at("ring").get<std::string>(), gap.at("station").get<int>(),
                         gap.at("stage_angle_deg").get<double>() / kDegrees,
                         gap.at("file").get<std::string>()});
  }
  for (const Json& spot : json.at("spots")) {
    data.spots.push_back({spot.at("x_px").get<double>(), spot.at("y_px").get<double>(),
                          spot.at("diameter_px").get<double>(), spot.at("contrast").get<double>()});
  }
  for (const Json& timing : json.at("timings")) {
    data.timings.push_back({timing.at("stage").get<std::string>(),
                            timing.at("seconds").get<double>(), timing.at("images").get<int>()});
  }
}

}  // namespace

std::string picture_name(std::size_t view, const char* which) {
  return fmt::format("pictures/{:04}-{}.jpg", view, which);
}

Json to_json(const ReportData& data) {
  Json json = {{"format", "trunnion report"},
               {"format_version", kReportFormat},
               {"title", data.title},
               {"date", data.date},
               {"judgement", judgement_json(data)},
               {"methods", methods_paragraph(data)},
               {"findings", findings_json(data.findings, FindingStage::shown)}};
  json["cautions"] = cautions_json();
  add_lists(json, data);
  json["review"] = review_to_json(data.review);
  json["geometry"] = geometry_json(data);
  json["backdrop"] = data.backdrop_jpeg.empty() ? Json(nullptr) : Json("pictures/backdrop.jpg");
  json["record"] = facts_json(data.record);
  json["setup"] = data.setup_name;
  json["calibration"] =
      data.calibration ? Json::parse(record_to_json(*data.calibration)) : Json(nullptr);
  json["calibration_hash"] = data.calibration ? data.calibration->hash : "";
  json["calibration_mismatches"] = data.calibration_mismatches;
  json["settings"] = facts_json(data.settings);
  json["versions"] = facts_json(data.versions);
  json["hashes"] = facts_json(data.hashes);
  json["views"] = Json::array();
  for (std::size_t i = 0; i < data.views.size(); ++i) {
    json["views"].push_back(view_json(data.views[i], i));
  }
  return json;
}

ReportData from_json(const Json& json) {
  if (json.at("format") != "trunnion report" || json.at("format_version") != kReportFormat) {
    throw data_error("not a report of this version of trunnion");
  }
  ReportData data;
  json.at("title").get_to(data.title);
  json.at("date").get_to(data.date);
  data.findings = read_findings(json.at("findings"));
  read_lists(json, data);
  if (json.contains("review")) data.review = review_from_json(json.at("review"));
  read_geometry(json.at("geometry"), data);
  if (json.contains("record")) data.record = read_facts(json.at("record"));
  json.at("setup").get_to(data.setup_name);
  if (!json.at("calibration").is_null()) {
    data.calibration = parse_record(json.at("calibration").dump(), "report.json");
    json.at("calibration_hash").get_to(data.calibration->hash);
  }
  json.at("calibration_mismatches").get_to(data.calibration_mismatches);
  data.settings = read_facts(json.at("settings"));
  data.versions = read_facts(json.at("versions"));
  data.hashes = read_facts(json.at("hashes"));
  for (const Json& view : json.at("views")) data.views.push_back(read_view(view));
  return data;
}

}  // namespace trunnion::report

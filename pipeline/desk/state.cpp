// What the workbench shows.
#include <fmt/format.h>

#include <algorithm>

#include "config/review_json.h"
#include "core/angle.h"
#include "pipeline/desk/workbench.h"

namespace trunnion::desk {
namespace {

Json known(const std::optional<double>& value, double factor = 1) {
  return value ? Json(*value * factor) : Json(nullptr);
}

// Changes with the file; 0 where it is absent.
std::int64_t stamp(const std::filesystem::path& file) {
  std::error_code code;
  const auto time = std::filesystem::last_write_time(file, code);
  return code ? 0 : static_cast<std::int64_t>(time.time_since_epoch().count());
}

Json view_json(const report::ReportView& view, std::size_t index,
               const std::filesystem::path& root) {
  const std::filesystem::path prepared = root / "prepared";
  return {{"name", view.name},
          {"anchor", fmt::format("view-{}", index)},
          {"ring", view.ring},
          {"station", view.station},
          {"stage_angle_deg", degrees(view.stage_angle)},
          {"source_file", view.source_file},
          {"before_px", {view.pictures.before_width_px, view.pictures.before_height_px}},
          {"after_px", {view.pictures.after_width_px, view.pictures.after_height_px}},
          {"mask", !view.mask_file.empty()},
          {"small", fmt::format("report/pictures/{:04}-small.jpg", index)},
          {"pose_state", name_of(view.pose_state)},
          {"sharpness_percent", known(view.sharpness, 100)},
          {"exposure_percent", known(view.exposure, 100)},
          {"mask_confidence_percent", known(view.mask_confidence, 100)},
          {"stamps",
           {{"before", stamp(root / view.source_file)},
            {"after", stamp(prepared / view.image_file)},
            {"mask", view.mask_file.empty() ? 0 : stamp(prepared / view.mask_file)}}}};
}

bool inside(const std::filesystem::path& relative) {
  if (relative.empty() || relative.is_absolute()) return false;
  const std::filesystem::path normal = relative.lexically_normal();
  return std::none_of(normal.begin(), normal.end(), [](const auto& part) { return part == ".."; });
}

}  // namespace

Json Workbench::state() {
  const std::shared_ptr<const report::ReportData> data = report();
  Json json = progress();
  json["title"] = workspace_.file.specimen.title;
  json["read_only"] = options_.read_only;
  if (!data) return json;
  const report::Judgement judgement = report::judge(*data);
  json["verdict"] = judgement.verdict == report::Verdict::good    ? "good"
                    : judgement.verdict == report::Verdict::check ? "check"
                                                                  : "reshoot";
  json["sentence"] = judgement.sentence;
  json["to_do"] = report::to_do_json(judgement.to_do);
  json["notes"] = report::to_do_json(judgement.notes);
  json["review"] = review_to_json(data->review);
  json["views"] = Json::array();
  for (std::size_t k = 0; k < data->views.size(); ++k) {
    json["views"].push_back(view_json(data->views[k], k, workspace_.root));
  }
  json["gaps"] = Json::array();
  for (std::size_t k = 0; k < data->gaps.size(); ++k) {
    const report::ReportGap& gap = data->gaps[k];
    json["gaps"].push_back({{"anchor", fmt::format("gap-{}", k)},
                            {"ring", gap.ring},
                            {"station", gap.station},
                            {"stage_angle_deg", degrees(gap.stage_angle)},
                            {"file", gap.file}});
  }
  return json;
}

Json Workbench::view(const std::string& name) {
  const std::shared_ptr<const report::ReportData> data = report();
  if (!data) return {};
  for (const report::ReportView& view : data->views) {
    if (view.name != name) continue;
    Json json{{"name", name}, {"residuals_x_y_dx_dy_px", Json::array()}, {"spots", Json::array()}};
    for (const report::ResidualVector& r : view.residuals) {
      json["residuals_x_y_dx_dy_px"].push_back({r.expected_px.x(), r.expected_px.y(),
                                                r.seen_minus_expected_px.x(),
                                                r.seen_minus_expected_px.y()});
    }
    for (const report::ReportSpot& spot : data->spots) {
      json["spots"].push_back({spot.x_px, spot.y_px, spot.diameter_px});
    }
    return json;
  }
  return {};
}

std::optional<std::filesystem::path> Workbench::picture(const std::string& view,
                                                        const std::string& kind) {
  const std::shared_ptr<const report::ReportData> data = report();
  if (!data) return std::nullopt;
  for (const report::ReportView& each : data->views) {
    if (each.name != view) continue;
    const bool before = kind == "before";
    const std::filesystem::path file = before           ? each.source_file
                                       : kind == "mask" ? each.mask_file
                                                        : each.image_file;
    if (!inside(file)) return std::nullopt;
    return before ? workspace_.root / file : workspace_.prepared() / file;
  }
  return std::nullopt;
}

}  // namespace trunnion::desk

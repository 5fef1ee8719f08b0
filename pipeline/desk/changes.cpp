// What the workbench changes: painted masks and review.toml.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/date.h"
#include "core/error.h"
#include "core/files.h"
#include "pipeline/desk/workbench.h"

namespace trunnion::desk {
namespace {

constexpr double kLargestBrush = 4000;  // px
constexpr std::size_t kMostPoints = 20000;

Error wrong(const std::string& what) {
  return data_error(fmt::format("The request of the page is not understood: {}.", what));
}

std::string text_of(const Json& request, const char* key, std::size_t longest = 2000) {
  const auto found = request.find(key);
  if (found == request.end() || !found->is_string()) throw wrong(fmt::format("{} is missing", key));
  std::string text = found->get<std::string>();
  if (text.size() > longest) throw wrong(fmt::format("{} is too long", key));
  return text;
}

double number_of(const Json& json, double least, double most, const char* name) {
  const double value = json.is_number() ? json.get<double>() : NAN;
  if (!(value >= least && value <= most)) throw wrong(fmt::format("{} is out of range", name));
  return value;
}

int whole_of(const Json& request, const char* key) {
  const auto found = request.find(key);
  if (found == request.end()) throw wrong(fmt::format("{} is missing", key));
  return static_cast<int>(number_of(*found, 0, 2e6, key));
}

const report::ReportView& view_of(const report::ReportData* data, const std::string& name) {
  if (data != nullptr) {
    for (const report::ReportView& view : data->views) {
      if (view.name == name) return view;
    }
  }
  throw data_error(fmt::format("There is no prepared station \"{}\"; load the page again.", name));
}

// From px of the prepared image, on which the page paints, to px of the fused image.
cv::Point2d fused_px(const report::ReportData& data, double x, double y) {
  const Camera& to = data.camera;
  const Camera& from = data.source_camera;
  const Eigen::Vector2d ideal((x - to.cx) / to.fx, (y - to.cy) / to.fy);
  // An image that was not undistorted has the distortion of the fused one.
  const Eigen::Vector2d at = to.distorts() ? ideal : distort(from, ideal);
  return {at.x() * from.fx + from.cx, at.y() * from.fy + from.cy};
}

Paint paint_from(const std::string& word) {
  if (word == "add") return Paint::add;
  if (word == "subtract") return Paint::subtract;
  if (word == "erase") return Paint::erase;
  throw wrong("paint is none of add, subtract and erase");
}

Stroke stroke_of(const Json& request, const report::ReportData& data,
                 const report::ReportView& view) {
  Stroke stroke;
  stroke.paint = paint_from(text_of(request, "paint"));
  stroke.fill = request.value("fill", false);
  stroke.radius_px = number_of(request.value("radius_px", Json()), 0.5, kLargestBrush, "radius_px");
  const Json points = request.value("points", Json());
  if (!points.is_array() || points.empty() || points.size() > kMostPoints) {
    throw wrong("points are missing or too many");
  }
  const double most = 2.0 * std::max(view.pictures.after_width_px, view.pictures.after_height_px);
  for (const Json& point : points) {
    if (!point.is_array() || point.size() != 2) throw wrong("a point is no pair");
    stroke.points.push_back(fused_px(data, number_of(point[0], -most, most, "a point"),
                                     number_of(point[1], -most, most, "a point")));
  }
  stroke.radius_px *= data.source_camera.fx / data.camera.fx;
  return stroke;
}

std::string today() {
  return iso_date_of_run().substr(0, std::string_view("2026-11-30").size());
}

}  // namespace

void Workbench::guard_writing() const {
  if (options_.read_only) {
    throw data_error("The desk was opened with --read-only; open it without to change anything.");
  }
}

StationPaint& Workbench::paint_of(const report::ReportView& view, const report::ReportData& data) {
  const auto found = paints_.find(view.name);
  if (found != paints_.end()) return found->second;
  const std::optional<std::filesystem::path> file = picture(view.name, "before");
  if (!file) throw wrong("the station has no image");
  const cv::Size size(data.source_camera.width_px, data.source_camera.height_px);
  return paints_.try_emplace(view.name, *file, size).first->second;
}

void Workbench::paint(const Json& request) {
  guard_writing();
  const std::shared_ptr<const report::ReportData> data = report();
  const report::ReportView& view = view_of(data.get(), text_of(request, "view"));
  const Stroke stroke = stroke_of(request, *data, view);
  const cv::Size size(data->source_camera.width_px, data->source_camera.height_px);
  const std::string page = text_of(request, "page", 64);
  const std::scoped_lock lock(writing_);
  StationPaint& paint = paint_of(view, *data);
  const Region region = stroke.fill ? fill_of(stroke, tiles_.image(*picture(view.name, "before")))
                                    : region_of(stroke, size);
  paint.paint(page, stroke.paint, region);
  changed(true);
}

bool Workbench::undo(const Json& request) {
  guard_writing();
  const std::shared_ptr<const report::ReportData> data = report();
  const report::ReportView& view = view_of(data.get(), text_of(request, "view"));
  const std::scoped_lock lock(writing_);
  if (!paint_of(view, *data).undo(text_of(request, "page", 64))) return false;
  changed(true);
  return true;
}

bool Workbench::redo(const Json& request) {
  guard_writing();
  const std::shared_ptr<const report::ReportData> data = report();
  const report::ReportView& view = view_of(data.get(), text_of(request, "view"));
  const std::scoped_lock lock(writing_);
  if (!paint_of(view, *data).redo(text_of(request, "page", 64))) return false;
  changed(true);
  return true;
}

std::string Workbench::review_text() const {
  const std::filesystem::path file = workspace_.review_file();
  return std::filesystem::exists(file) ? read_file(file, std::uintmax_t{16} << 20U) : "";
}

// Nothing is written that a run would refuse.
void Workbench::write_review(const std::string& text) {
  parse_review(text, workspace_.review_file().string(), workspace_.file.specimen);
  write_file(workspace_.review_file(), text);
  changed(true);
}

void Workbench::exclude(const Json& request) {
  guard_writing();
  const std::scoped_lock lock(writing_);
  write_review(review_text() +
               review_toml(Exclusion{text_of(request, "ring"), whole_of(request, "station"),
                                     text_of(request, "reason"), today()}));
}

void Workbench::include(const Json& request) {
  guard_writing();
  const std::string ring = text_of(request, "ring");
  const int station = whole_of(request, "station");
  const std::scoped_lock lock(writing_);
  const std::string text = review_text();
  const Review review =
      parse_review(text, workspace_.review_file().string(), workspace_.file.specimen);
  for (std::size_t k = 0; k < review.excluded.size(); ++k) {
    if (review.excluded[k].ring != ring || review.excluded[k].station != station) continue;
    write_review(without_table(text, "exclude", k));
    return;
  }
  throw data_error(fmt::format("{} {} is not excluded; load the page again.", ring, station));
}

void Workbench::accept(const Json& request) {
  guard_writing();
  Acceptance accepted;
  accepted.doubt = text_of(request, "doubt");
  accepted.reason = text_of(request, "reason");
  accepted.date = today();
  const std::string name = request.value("view", "");
  const std::string where = request.value("where", "");
  if (!name.empty()) {
    const std::shared_ptr<const report::ReportData> data = report();
    const report::ReportView& view = view_of(data.get(), name);
    accepted.ring = view.ring;
    accepted.station = view.station;
  } else if (where != "whole set") {
    accepted.file = where;
  }
  const std::scoped_lock lock(writing_);
  write_review(review_text() + review_toml(accepted));
}

void Workbench::retract(const Json& request) {
  guard_writing();
  const int index = whole_of(request, "index");
  const std::scoped_lock lock(writing_);
  const std::string text = review_text();
  const std::string without = without_table(text, "accept", static_cast<std::size_t>(index));
  if (without == text) throw data_error("There is no such decision; load the page again.");
  write_review(without);
}

}  // namespace trunnion::desk

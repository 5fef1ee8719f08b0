// The folder of the report: written beside its place, then exchanged.
#include <fmt/format.h>

#include "core/error.h"
#include "core/files.h"
#include "core/text.h"
#include "stages/report/json.h"
#include "stages/report/page.h"
#include "stages/report/report.h"

namespace trunnion::report {
namespace {

using Json = nlohmann::ordered_json;

std::string page_of(const ReportData& data, Json json) {
  for (std::size_t i = 0; i < data.views.size(); ++i) {
    const std::string& small = data.views[i].pictures.small_jpeg;
    if (!small.empty()) json["views"][i]["small"] = "data:image/jpeg;base64," + base64(small);
  }
  return page_with_data(page(), json);
}

// The folder is replaced as a whole, so it must be a report or empty.
void refuse_foreign(const fs::path& folder) {
  std::error_code code;
  if (!fs::is_directory(folder, code) || fs::is_empty(folder, code)) return;
  if (fs::exists(folder / "report.json", code)) return;
  throw data_error(
      fmt::format("{}: this folder contains something other than a report; move it away or give "
                  "another folder.",
                  folder.string()));
}

std::string read_picture(const fs::path& file) {
  return fs::exists(file) ? read_file(file, 4U << 20U) : std::string();
}

}  // namespace

void write_report(const ReportData& data, const fs::path& folder) {
  refuse_foreign(folder);
  PendingFolder pending(folder);
  const fs::path& out = pending.temporary();
  for (std::size_t i = 0; i < data.views.size(); ++i) {
    const ViewThumbnails& pictures = data.views[i].pictures;
    if (!pictures.before_jpeg.empty()) {
      write_file(out / picture_name(i, "before"), pictures.before_jpeg);
    }
    if (!pictures.after_jpeg.empty()) {
      write_file(out / picture_name(i, "after"), pictures.after_jpeg);
    }
    if (!pictures.small_jpeg.empty()) {
      write_file(out / picture_name(i, "small"), pictures.small_jpeg);
    }
  }
  if (!data.backdrop_jpeg.empty()) {
    write_file(out / "pictures" / "backdrop.jpg", data.backdrop_jpeg);
  }
  const Json json = to_json(data);
  write_file(out / "report.json", json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n");
  write_file(out / "index.html", page_of(data, json));
  pending.commit();
}

ReportData read_report(const fs::path& folder) {
  const fs::path file = folder / "report.json";
  ReportData data;
  try {
    data = from_json(Json::parse(read_file(file, 512U << 20U)));
  } catch (const nlohmann::json::exception& error) {
    throw data_error(fmt::format("{}: not a valid report ({}); run prepare again.", file.string(),
                                 error.what()));
  }
  for (std::size_t i = 0; i < data.views.size(); ++i) {
    ViewThumbnails& pictures = data.views[i].pictures;
    pictures.before_jpeg = read_picture(folder / picture_name(i, "before"));
    pictures.after_jpeg = read_picture(folder / picture_name(i, "after"));
    pictures.small_jpeg = read_picture(folder / picture_name(i, "small"));
  }
  data.backdrop_jpeg = read_picture(folder / "pictures" / "backdrop.jpg");
  return data;
}

}  // namespace trunnion::report

// The folder of the report: written beside its place, then exchanged.
#include <fmt/format.h>

#include <string_view>

#include "core/error.h"
#include "core/files.h"
#include "stages/report/json.h"
#include "stages/report/page.h"
#include "stages/report/report.h"

namespace trunnion::report {
namespace {

using Json = nlohmann::ordered_json;

std::string base64(const std::string& bytes) {
  static constexpr std::string_view kDigits =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string text;
  text.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    std::uint32_t group = 0;
    const std::size_t count = std::min<std::size_t>(3, bytes.size() - i);
    for (std::size_t k = 0; k < 3; ++k) {
      group = group << 8U | (k < count ? static_cast<std::uint8_t>(bytes[i + k]) : 0U);
    }
    for (std::size_t k = 0; k < 4; ++k) {
      text += k <= count ? kDigits[group >> (18U - 6U * k) & 63U] : '=';
    }
  }
  return text;
}

// JSON that may stand inside a script element: whatever a title or a file name holds, no tag and
// no comment can begin or end in it. ASCII only, so that the page's encoding can't matter.
std::string inline_json(const Json& json) {
  const std::string text = json.dump(-1, ' ', true, Json::error_handler_t::replace);
  std::string safe;
  safe.reserve(text.size() + text.size() / 64);
  for (const char c : text) {
    if (c == '<') {
      safe += "\\u003c";
    } else if (c == '>') {
      safe += "\\u003e";
    } else if (c == '&') {
      safe += "\\u0026";
    } else {
      safe += c;
    }
  }
  return safe;
}

std::string page(const ReportData& data, Json json) {
  for (std::size_t i = 0; i < data.views.size(); ++i) {
    const std::string& small = data.views[i].pictures.small_jpeg;
    if (!small.empty()) json["views"][i]["small"] = "data:image/jpeg;base64," + base64(small);
  }
  const std::string_view whole = page_template();
  constexpr std::string_view kMarker = "@@REPORT-DATA@@";
  const std::size_t at = whole.find(kMarker);
  if (at == std::string_view::npos) throw std::logic_error("the page has no place for its data");
  return std::string(whole.substr(0, at)) + inline_json(json) +
         std::string(whole.substr(at + kMarker.size()));
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
  write_file(out / "index.html", page(data, json));
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

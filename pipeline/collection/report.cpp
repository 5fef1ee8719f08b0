#include "pipeline/collection/report.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string_view>

#include "config/record_json.h"
#include "core/csv.h"
#include "core/files.h"
#include "core/finding_text.h"
#include "pipeline/collection/page.h"

namespace trunnion::collection {
namespace {

using Json = nlohmann::ordered_json;

const char* verdict_name(report::Verdict verdict) {
  return verdict == report::Verdict::good    ? "good"
         : verdict == report::Verdict::check ? "check"
                                             : "reshoot";
}

// RFC 3986: what is not unreserved stands as %XX; slashes divide folders.
std::string link_to(const fs::path& file) {
  constexpr std::string_view kPlain =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~/";
  std::string link;
  for (const char each : file.generic_string()) {
    link += kPlain.find(each) != std::string_view::npos
                ? std::string(1, each)
                : fmt::format("%{:02X}", static_cast<unsigned char>(each));
  }
  return link;
}

void add_last_run(Json& json, const SpecimenState& each, const fs::path& from_report) {
  if (!each.last || !each.last->finished) return;
  const LastRun& last = *each.last;
  json["verdict"] = verdict_name(last.verdict);
  json["sentence"] = last.sentence;
  json["images"] = last.images;
  json["width_mm"] = last.width_mm;
  json["height_mm"] = last.height_mm;
  json["seconds"] = last.seconds;
  json["date"] = last.date;
  json["calibrated"] = !last.calibration_hash.empty();
  json["to_do"] = Json::array();
  for (const report::ToDo& item : last.to_do) {
    json["to_do"].push_back({{"severity", trunnion::name_of(item.severity)},
                             {"where", item.where},
                             {"what", item.what},
                             {"remedy", item.remedy}});
  }
  json["report"] = link_to(from_report / "prepared/report/index.html");
  if (!last.picture.empty()) json["picture"] = link_to(from_report / last.picture);
}

Json specimen_json(const SpecimenState& each, const fs::path& from_report) {
  Json json{{"workspace", each.name}, {"state", name_of(each.state)}, {"title", each.title}};
  json["record"] = specimen_record_json(each.record);
  json["setup"] = each.setup;
  json["stations"] = each.stations;
  if (!each.why.empty()) json["why"] = each.why;
  add_last_run(json, each, from_report);
  return json;
}

Json collection_json(const ReportInput& input, const fs::path& folder) {
  Json json{{"format", "trunnion collection"}, {"version", 1}, {"title", input.collection.title}};
  if (!input.date.empty()) json["date"] = input.date;
  json["findings"] = findings_json(input.findings, FindingStage::left_out);
  json["specimens"] = Json::array();
  const fs::path root = fs::absolute(input.collection.root()).lexically_normal();
  for (const SpecimenState& each : input.specimens) {
    json["specimens"].push_back(specimen_json(each, (root / each.name).lexically_relative(folder)));
  }
  return json;
}

std::string collection_csv(const std::vector<SpecimenState>& specimens) {
  std::string text = "workspace,state,verdict";
  for (const RecordTerm& term : kRecordTerms) text += fmt::format(",{}", term.term);
  text += ",title,setup,stations,images,width_mm,height_mm,seconds,date,to_do,why\n";
  for (const SpecimenState& each : specimens) {
    const LastRun last = each.last && each.last->finished ? *each.last : LastRun{};
    text += fmt::format("{},{},{}", csv_cell(each.name), name_of(each.state),
                        last.finished ? verdict_name(last.verdict) : "");
    for (const RecordTerm& term : kRecordTerms) text += "," + csv_cell(each.record.*term.field);
    std::string to_do;
    for (const report::ToDo& item : last.to_do) {
      to_do +=
          fmt::format("{}{}: {} {}", to_do.empty() ? "" : "\n", item.where, item.what, item.remedy);
    }
    text +=
        fmt::format(",{},{},{},{},{:.4g},{:.4g},{:.1f},{},{},{}\n", csv_cell(each.title),
                    csv_cell(each.setup), each.stations, last.images, last.width_mm, last.height_mm,
                    last.seconds, csv_cell(last.date), csv_cell(to_do), csv_cell(each.why));
  }
  return text;
}

// JSON that may stand inside a script element: no tag and no comment can begin in it.
std::string inline_json(const Json& json) {
  std::string safe;
  for (const char c : json.dump(-1, ' ', true, Json::error_handler_t::replace)) {
    if (c == '<' || c == '>' || c == '&') {
      safe += fmt::format("\\u{:04x}", static_cast<unsigned>(c));
    } else {
      safe += c;
    }
  }
  return safe;
}

std::string page(const Json& json) {
  const std::string_view whole = page_template();
  constexpr std::string_view kMarker = "@@COLLECTION-DATA@@";
  const std::size_t at = whole.find(kMarker);
  if (at == std::string_view::npos) throw std::logic_error("the page has no place for its data");
  return std::string(whole.substr(0, at)) + inline_json(json) +
         std::string(whole.substr(at + kMarker.size()));
}

}  // namespace

void write_report(const ReportInput& input, const fs::path& folder) {
  const fs::path place = fs::absolute(folder).lexically_normal();
  const Json json = collection_json(input, place);
  write_file(place / "collection.json",
             json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n");
  write_file(place / "collection.csv", collection_csv(input.specimens));
  write_file(place / "index.html", page(json));
}

}  // namespace trunnion::collection

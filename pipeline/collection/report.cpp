#include "pipeline/collection/report.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>
#include <string_view>

#include "config/record_json.h"
#include "core/csv.h"
#include "core/files.h"
#include "core/finding_text.h"
#include "pipeline/collection/page.h"

namespace trunnion::collection {
namespace {

using Json = nlohmann::ordered_json;

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
  json["verdict"] = report::name_of(last.verdict);
  json["sentence"] = last.sentence;
  json["images"] = last.images;
  json["width_mm"] = last.width_mm;
  json["height_mm"] = last.height_mm;
  json["seconds"] = last.seconds;
  json["date"] = last.date;
  json["calibrated"] = !last.calibration_hash.empty();
  json["to_do"] = report::to_do_json(last.to_do);
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
                        last.finished ? report::name_of(last.verdict) : "");
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

}  // namespace

void write_report(const ReportInput& input, const fs::path& folder) {
  const fs::path place = fs::absolute(folder).lexically_normal();
  const Json json = collection_json(input, place);
  write_file(place / "collection.json",
             json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n");
  write_file(place / "collection.csv", collection_csv(input.specimens));
  write_file(place / "index.html", page_with_data(page(), json));
}

}  // namespace trunnion::collection

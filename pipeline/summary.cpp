#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "pipeline/prepare.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

std::size_t count(const Findings& findings, Severity severity) {
  return static_cast<std::size_t>(std::count_if(
      findings.begin(), findings.end(), [&](const auto& f) { return f.severity == severity; }));
}

std::string sentence(std::string text) {
  if (!text.empty() && std::string_view(".!?").find(text.back()) == std::string_view::npos) {
    text += '.';
  }
  return text;
}

// Faults first, then doubts; notes stay in the report. What is said of many images is said once.
std::vector<Summary::Item> items_of(const Findings& findings) {
  std::vector<Summary::Item> items;
  for (const Severity severity : {Severity::fault, Severity::doubt}) {
    std::map<std::pair<std::string, std::string>, std::size_t> place;  // (what, remedy) -> item
    std::vector<std::size_t> times;
    const std::size_t first = items.size();
    for (const Finding& finding : findings) {
      if (finding.severity != severity) continue;
      const auto [found, fresh] =
          place.emplace(std::pair(finding.what, finding.remedy), items.size());
      if (!fresh) {
        ++times[found->second - first];
        continue;
      }
      items.push_back({severity == Severity::fault ? Summary::Mood::bad : Summary::Mood::look,
                       finding.file, sentence(finding.what), sentence(finding.remedy)});
      times.push_back(1);
    }
    for (std::size_t i = 0; i < times.size(); ++i) {
      if (times[i] > 1) items[first + i].where += fmt::format(" and {} more", times[i] - 1);
    }
  }
  return items;
}

Summary::Mood mood_of(const Findings& findings) {
  if (count(findings, Severity::fault) > 0) return Summary::Mood::bad;
  return count(findings, Severity::doubt) > 0 ? Summary::Mood::look : Summary::Mood::good;
}

Json findings_json(const Findings& findings) {
  Json list = Json::array();
  for (const Finding& finding : findings) {
    list.push_back({{"severity", name_of(finding.severity)},
                    {"stage", finding.stage},
                    {"file", finding.file},
                    {"what", finding.what},
                    {"remedy", finding.remedy}});
  }
  return list;
}

Json seconds_json(const StageSeconds& seconds) {
  Json json = Json::object();
  for (const auto& [stage, value] : seconds) json[stage] = value;
  return json;
}

std::string geometry_of(const PrepareOutcome& outcome) {
  if (outcome.scene.refined) return "poses refined from the specimen";
  return outcome.scene.axis_calibrated ? "poses from the calibrated axis"
                                       : "poses from nominal geometry with wide sigmas";
}

}  // namespace

bool CheckOutcome::fit() const {
  return count(findings, Severity::fault) == 0;
}

Summary summary_of(const PrepareOutcome& outcome) {
  Summary summary;
  summary.mood = mood_of(outcome.findings);
  const bool unchanged = outcome.images_reused == outcome.images_prepared;
  summary.sentence =
      unchanged
          ? fmt::format("\"{}\": nothing had changed; {} of {} stations stand prepared, {}.",
                        outcome.title, outcome.images_prepared, outcome.stations_expected,
                        geometry_of(outcome))
          : fmt::format("\"{}\": {} of {} stations prepared, {}.", outcome.title,
                        outcome.images_prepared, outcome.stations_expected, geometry_of(outcome));
  if (!outcome.verdict.empty()) summary.sentence += " " + outcome.verdict;
  summary.items = items_of(outcome.findings);
  const std::filesystem::path prepared = outcome.root / "prepared";
  summary.outputs = {{"images", (prepared / "images").string()},
                     {"masks", (prepared / "masks").string()},
                     {"cameras", (prepared / "cameras.json").string()},
                     {"report", (prepared / "report" / "index.html").string()}};
  return summary;
}

Summary summary_of(const CheckOutcome& outcome) {
  Summary summary;
  summary.mood = mood_of(outcome.findings);
  summary.sentence = fmt::format(
      "\"{}\": {} of {} stations found, {} static spots; {}.", outcome.title, outcome.images_found,
      outcome.stations_expected, outcome.survey.spots.size(),
      outcome.fit() ? "the set is fit for preparing" : "mend what is listed before preparing");
  summary.items = items_of(outcome.findings);
  return summary;
}

Json json_of(const PrepareOutcome& outcome) {
  Json json{{"command", "prepare"},
            {"workspace", outcome.root.string()},
            {"title", outcome.title},
            {"stations_expected", outcome.stations_expected},
            {"images_found", outcome.images_found},
            {"images_prepared", outcome.images_prepared},
            {"images_unchanged", outcome.images_reused},
            {"static_spots", outcome.spots},
            {"lens_calibrated", outcome.scene.lens_calibrated},
            {"axis_calibrated", outcome.scene.axis_calibrated},
            {"refined", outcome.scene.refined},
            {"tie_points", outcome.scene.tie_points.size()},
            {"verdict", outcome.verdict},
            {"faults", count(outcome.findings, Severity::fault)},
            {"doubts", count(outcome.findings, Severity::doubt)},
            {"findings", findings_json(outcome.findings)},
            {"outputs", outcome.outputs},
            {"seconds", seconds_json(outcome.seconds)}};
  return json;
}

Json json_of(const CheckOutcome& outcome) {
  Json exposures = Json::array();
  for (const Exposure& exposure : outcome.survey.exposures) {
    exposures.push_back({{"image", exposure.image},
                         {"level", exposure.level},
                         {"sharpness", exposure.sharpness},
                         {"clipped_high", exposure.clipped_high},
                         {"clipped_low", exposure.clipped_low}});
  }
  return {{"command", "check"},
          {"workspace", outcome.root.string()},
          {"title", outcome.title},
          {"fit", outcome.fit()},
          {"stations_expected", outcome.stations_expected},
          {"images_found", outcome.images_found},
          {"static_spots", outcome.survey.spots.size()},
          {"exposures", exposures},
          {"faults", count(outcome.findings, Severity::fault)},
          {"doubts", count(outcome.findings, Severity::doubt)},
          {"findings", findings_json(outcome.findings)},
          {"seconds", seconds_json(outcome.seconds)}};
}

}  // namespace trunnion

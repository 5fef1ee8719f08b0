#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "core/finding_text.h"
#include "pipeline/prepare.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

std::size_t count(const Findings& findings, Severity severity) {
  return static_cast<std::size_t>(std::count_if(
      findings.begin(), findings.end(), [&](const auto& f) { return f.severity == severity; }));
}

Summary::Mood mood_of(Severity severity) {
  return severity == Severity::fault ? Summary::Mood::bad : Summary::Mood::check;
}

Json seconds_json(const StageSeconds& seconds) {
  Json json = Json::object();
  for (const auto& [stage, value] : seconds) json[stage] = value;
  return json;
}

std::string geometry_of(const PrepareOutcome& outcome) {
  if (outcome.scene.refined) return "poses refined from the specimen";
  return outcome.scene.axis_calibrated ? "poses from the calibrated axis"
                                       : "poses from nominal geometry with large uncertainties";
}

// "low 2, low 5 and low 7", "low 2, low 3, low 4 and 9 more stations".
std::string named(const std::vector<const report::ToDo*>& items) {
  constexpr std::size_t kNamed = 3;
  const bool stations = std::all_of(items.begin(), items.end(),
                                    [](const report::ToDo* item) { return !item->anchor.empty(); });
  // One left over is named as well as counted.
  const std::size_t shown = items.size() <= kNamed + 1 ? items.size() : kNamed;
  std::string text;
  for (std::size_t i = 0; i < shown; ++i) {
    const bool last = i + 1 == items.size();
    text += (i == 0 ? "" : last ? " and " : ", ") + items[i]->where;
  }
  if (items.size() > shown) {
    text += fmt::format(" and {} more {}", items.size() - shown, stations ? "stations" : "files");
  }
  return text;
}

}  // namespace

bool CheckOutcome::fit() const {
  return judgement.verdict != report::Verdict::reshoot;
}

// Faults first, then doubts; notes stay in the report. What is said of many images is said once.
Summary summary_of(const report::Judgement& judgement) {
  Summary summary;
  summary.mood = judgement.verdict == report::Verdict::good    ? Summary::Mood::good
                 : judgement.verdict == report::Verdict::check ? Summary::Mood::check
                                                               : Summary::Mood::bad;
  summary.sentence = judgement.sentence;
  std::map<std::pair<std::string, std::string>, std::size_t> said;  // (what, remedy) -> item
  std::vector<std::vector<const report::ToDo*>> places;
  for (const report::ToDo& item : judgement.to_do) {
    const auto [found, fresh] =
        said.emplace(std::pair(item.what, item.remedy), summary.items.size());
    if (fresh) {
      summary.items.push_back({mood_of(item.severity), item.where, item.what, item.remedy});
      places.emplace_back();
    }
    places[found->second].push_back(&item);
  }
  for (std::size_t i = 0; i < places.size(); ++i) summary.items[i].where = named(places[i]);
  return summary;
}

Summary summary_of(const PrepareOutcome& outcome) {
  Summary summary = summary_of(outcome.judgement);
  const bool unchanged = outcome.images_reused == outcome.images_prepared;
  summary.sentence += fmt::format(" \"{}\": {}{} of {} stations {}, {}.", outcome.title,
                                  unchanged ? "no pixels changed; " : "", outcome.images_prepared,
                                  outcome.stations_expected,
                                  unchanged ? "are prepared" : "prepared", geometry_of(outcome));
  if (!outcome.alignment.empty()) summary.sentence += " " + outcome.alignment;
  if (!outcome.hull.empty()) summary.sentence += " " + outcome.hull;
  const std::filesystem::path prepared = outcome.root / "prepared";
  summary.outputs = {{"images", (prepared / "images").string()},
                     {"masks", (prepared / "masks").string()},
                     {"cameras", (prepared / "cameras.json").string()},
                     {"report", (prepared / "report" / "index.html").string()}};
  return summary;
}

Summary summary_of(const CheckOutcome& outcome) {
  Summary summary = summary_of(outcome.judgement);
  summary.sentence += fmt::format(
      " \"{}\": {} of {} stations found, {} checked closely, {} static spots on the sensor.",
      outcome.title, outcome.images_found, outcome.stations_expected, outcome.checked.size(),
      outcome.survey.spots.size());
  if (outcome.detail_um) {
    summary.sentence += fmt::format(" The outlines show a detail of {:.3g} um", *outcome.detail_um);
    if (outcome.planned_detail_um) {
      summary.sentence += fmt::format(", {:.3g} um is planned", *outcome.planned_detail_um);
    }
    summary.sentence += ".";
  }
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
            {"verdict", outcome.judgement.sentence},
            {"orientation", outcome.alignment},
            {"hull", outcome.hull},
            {"faults", count(outcome.findings, Severity::fault)},
            {"doubts", count(outcome.findings, Severity::doubt)},
            {"findings", findings_json(outcome.findings, FindingStage::shown)},
            {"outputs", outcome.outputs},
            {"seconds", seconds_json(outcome.seconds)}};
  return json;
}

Json json_of(const CheckOutcome& outcome) {
  Json stations = Json::array();
  const auto known = [](const std::optional<double>& value) {
    return value ? Json(*value) : Json(nullptr);
  };
  for (const CheckOutcome::CheckedStation& station : outcome.checked) {
    stations.push_back({{"image", station.file},
                        {"exposure", known(station.relative.exposure)},
                        {"sharpness", known(station.relative.sharpness)},
                        {"clipped_high", station.measures.clipped_high},
                        {"clipped_low", station.measures.clipped_low}});
  }
  return {{"command", "check"},
          {"workspace", outcome.root.string()},
          {"title", outcome.title},
          {"fit", outcome.fit()},
          {"stations_expected", outcome.stations_expected},
          {"images_found", outcome.images_found},
          {"static_spots", outcome.survey.spots.size()},
          {"checked_stations", stations},
          {"detail_um", known(outcome.detail_um)},
          {"planned_detail_um", known(outcome.planned_detail_um)},
          {"verdict", outcome.judgement.sentence},
          {"faults", count(outcome.findings, Severity::fault)},
          {"doubts", count(outcome.findings, Severity::doubt)},
          {"findings", findings_json(outcome.findings, FindingStage::shown)},
          {"seconds", seconds_json(outcome.seconds)}};
}

}  // namespace trunnion

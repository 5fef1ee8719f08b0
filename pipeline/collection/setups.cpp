#include "pipeline/collection/setups.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <utility>

#include "config/calibration_record.h"
#include "core/error.h"
#include "core/files.h"
#include "pipeline/collection/names.h"
#include "stages/compare_calibrations/compare_calibrations.h"

namespace trunnion::collection {
namespace {

using compare_calibrations::Comparison;

constexpr std::uintmax_t kMostReportBytes = 256U << 20U;

Finding of_setup(Severity severity, const std::string& file, const std::string& what,
                 const std::string& remedy) {
  return {severity, "setup", file, what, remedy};
}

// The record that a specimen was prepared with, as its report holds it.
std::optional<CalibrationRecord> record_of(const fs::path& workspace) {
  try {
    const auto report = nlohmann::json::parse(
        read_file(workspace / "prepared/report/report.json", kMostReportBytes));
    return parse_record(report.at("calibration").dump(), (workspace / "report.json").string());
  } catch (const std::exception&) {  // no such report any more: the numbers stay unknown
    return std::nullopt;
  }
}

std::string difference(const Comparison& found) {
  return fmt::format(
      "the image of a fixed ray of the camera is shifted by {:.2f} px ({:.2f} px at most) where "
      "the "
      "uncertainties alone make {:.2f} px, and {:.2f} px are left once the exterior orientation is "
      "estimated again",
      found.ray.rms_px, found.ray.largest_px, found.ray.expected_rms_px, found.shape.rms_px);
}

Finding renewed(const Collection& collection, const std::vector<const SpecimenState*>& old) {
  const SpecimenState& first = *old.front();
  const fs::path file = record_path(first.setup_file);
  std::vector<std::string> names;
  for (const SpecimenState* each : old) names.push_back(each->name);
  const std::string who =
      fmt::format("{} of setup {} {} on an earlier record: {}.",
                  names.size() == 1 ? "1 specimen" : fmt::format("{} specimens", names.size()),
                  first.setup, names.size() == 1 ? "stands" : "stand", some_of(names));
  const std::optional<CalibrationRecord> before = record_of(collection.root() / first.name);
  const std::string again = "Prepare them again: trunnion collection run.";
  if (!before) {
    return of_setup(Severity::doubt, file.string(),
                    who + " It is in no report any more, so that nothing can be compared.", again);
  }
  try {
    const Comparison found = compare_calibrations::compare_calibrations(*before, read_record(file));
    return of_setup(found.moved ? Severity::doubt : Severity::note, file.string(),
                    fmt::format("{} {}: {}.", who,
                                found.moved ? "It matters"
                                            : "The difference is within the "
                                              "uncertainties",
                                difference(found)),
                    found.moved ? again : "Nothing has to be done; the next run uses the new one.");
  } catch (const Error& error) {  // of another kind of camera or size
    return of_setup(Severity::doubt, file.string(), fmt::format("{} {}", who, error.what()), again);
  }
}

// By folder: the setups of its specimens, each with how many.
void find_mixed(const std::vector<SpecimenState>& specimens, Findings& findings) {
  std::map<std::string, std::map<std::string, std::vector<std::string>>> by_folder;
  for (const SpecimenState& each : specimens) {
    if (each.setup.empty()) continue;
    by_folder[fs::path(each.name).parent_path().generic_string()][each.setup].push_back(each.name);
  }
  for (const auto& [folder, setups] : by_folder) {
    if (setups.size() < 2) continue;
    std::vector<std::string> parts;
    for (const auto& [setup, names] : setups) {
      parts.push_back(fmt::format("{} of setup {} ({})", names.size(), setup, some_of(names)));
    }
    findings.push_back(
        of_setup(Severity::doubt, folder.empty() ? "." : folder,
                 fmt::format("Its specimens have several setups: {}.", fmt::join(parts, "; ")),
                 "Check that each was shot with its setup."));
  }
}

}  // namespace

Findings setup_findings(const Collection& collection, const std::vector<SpecimenState>& specimens) {
  // By setup, earlier record.
  std::map<std::pair<std::string, std::string>, std::vector<const SpecimenState*>> old;
  std::map<std::string, std::vector<std::string>> nominal;
  for (const SpecimenState& each : specimens) {
    if (each.setup.empty()) continue;
    if (each.calibration.empty()) nominal[each.setup].push_back(each.name);
    if (!each.last || !each.last->finished || each.last->calibration_hash.empty() ||
        each.calibration.empty() || each.last->calibration_hash == each.calibration) {
      continue;
    }
    old[{each.setup_file, each.last->calibration_hash}].push_back(&each);
  }
  Findings findings;
  for (const auto& [record, stand_on_it] : old) {
    findings.push_back(renewed(collection, stand_on_it));
  }
  for (const auto& [setup, names] : nominal) {
    findings.push_back(
        of_setup(Severity::doubt, "",
                 fmt::format("Setup {} has no calibration record: {}.", setup, some_of(names)),
                 "Calibrate it (trunnion calibrate lens, trunnion calibrate axis)."));
  }
  find_mixed(specimens, findings);
  return findings;
}

}  // namespace trunnion::collection

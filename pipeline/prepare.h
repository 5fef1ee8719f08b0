// Prepare: the main job. Reads a workspace, runs every stage over its set and leaves prepared/
// complete: images, masks, cameras, exports, report. A re-run does only what changed.
//
// check: ingest, survey and a closer check of the surveyed images (or all), to find out in
// seconds whether the set is fit for preparing.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "core/finding.h"
#include "core/scene.h"
#include "core/survey_result.h"
#include "pipeline/progress.h"
#include "pipeline/stage_clock.h"
#include "pipeline/workspace.h"
#include "pipeline/workspace_lock.h"
#include "stages/compare_stations/compare_stations.h"
#include "stages/report/report.h"

namespace trunnion {

struct PrepareOptions {
  WorkspaceOptions workspace;
  int jobs = 0;              // 0: one a core
  bool full_check = false;   // compare hashes instead of size and time stamp
  bool every_image = false;  // check: every image, not only the surveyed ones
};

// Results that prepare and check have in common.
struct SetOutcome {
  std::filesystem::path root;
  std::string title;
  Findings findings;
  int stations_expected = 0;
  int images_found = 0;
  StageSeconds seconds;
  report::Judgement judgement;  // the one verdict of terminal, report and exit code
};

struct PrepareOutcome : SetOutcome {
  Scene scene;
  std::string alignment;  // what to expect of the poses, one sentence
  std::string hull;       // its measures, one sentence; empty without one
  int images_prepared = 0;
  int images_reused = 0;
  std::size_t spots = 0;
  std::vector<std::string> outputs;  // relative to the workspace; set-level files
};

PrepareOutcome prepare(const std::filesystem::path& folder, const PrepareOptions& options,
                       Progress& progress);

// The same on a workspace that the caller has locked and keeps locked; signals are the caller's,
// too (interrupt.h).
PrepareOutcome prepare(const Workspace& workspace, const WorkspaceLock& lock,
                       const PrepareOptions& options, Progress& progress);

struct CheckOutcome : SetOutcome {
  SurveyResult survey;
  struct CheckedStation {
    std::string file;
    compare_stations::RelativeMeasures relative;
    ViewMeasures measures;
  };
  std::vector<CheckedStation> checked;
  std::optional<double> detail_um;          // measured at outlines
  std::optional<double> planned_detail_um;  // by plan.json
  [[nodiscard]] bool fit() const;           // no station is missing or at fault
};

CheckOutcome check(const std::filesystem::path& folder, const PrepareOptions& options,
                   Progress& progress);

// The same facts for people and for programs.
Summary summary_of(const PrepareOutcome& outcome);
Summary summary_of(const CheckOutcome& outcome);
// What the judgement says: mood and things to do, alike for every command.
Summary summary_of(const report::Judgement& judgement);
nlohmann::ordered_json json_of(const PrepareOutcome& outcome);
nlohmann::ordered_json json_of(const CheckOutcome& outcome);

}  // namespace trunnion

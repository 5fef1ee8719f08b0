// What the last run of prepare on a workspace came to, in .trunnion/last_run.json: enough to say
// without the journal, in a millisecond or so, whether anything changed since, and what the
// collection shows of the specimen. Safe to delete: the next run writes it again.
//
// The stamp is a hash of the program, of what the workspace takes from outside (setup, calibration,
// collection, templates) and of name, size and time stamp of every file in the workspace except
// .trunnion, inputs and outputs alike. What has its stamp is as the run left it, as far as prepare
// itself would look without --full-check; what has another may be unchanged too, which prepare
// finds out.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "pipeline/workspace.h"
#include "stages/report/report.h"

namespace trunnion {

struct SetRun;

struct LastRun {
  bool finished = false;  // false: it ended with an error of its data
  std::string stamp;
  std::string sentence;  // the verdict, or the error
  report::Verdict verdict = report::Verdict::good;
  std::vector<report::ToDo> to_do;
  int stations = 0;
  int images = 0;
  double width_mm = 0;  // of the largest silhouette at the plane of focus; 0: not known
  double height_mm = 0;
  double seconds = 0;
  std::string date;
  std::string setup;
  std::string calibration_hash;  // empty: nominal
  std::string picture;           // of one view, relative to the workspace; empty without one
};

// Of the workspace as it stands; `prepared`: with what was written.
std::string workspace_stamp(const Workspace& workspace, bool prepared = true);

// None where there is none, or none of this version.
std::optional<LastRun> read_last_run(const std::filesystem::path& workspace);

// The run's own stamp, and nothing has changed since.
[[nodiscard]] bool is_current(const Workspace& workspace, const LastRun& last);

void write_last_run(const Workspace& workspace, const LastRun& last);

// Of a run that came to its end.
LastRun last_run_of(const SetRun& set);

}  // namespace trunnion

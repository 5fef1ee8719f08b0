#include "pipeline/prepare.h"

#include <tbb/global_control.h>

#include <algorithm>
#include <functional>
#include <opencv2/core/utility.hpp>
#include <thread>

#include "core/date.h"
#include "core/files.h"
#include "core/metadata.h"
#include "pipeline/capture_check.h"
#include "pipeline/interrupt.h"
#include "pipeline/last_run.h"
#include "pipeline/network_folder.h"
#include "pipeline/set_steps.h"

namespace trunnion {
namespace {

int worker_count(int jobs) {
  const int cores = static_cast<int>(std::thread::hardware_concurrency());
  return jobs > 0 ? jobs : std::max(1, cores);
}

// One thread budget: oneTBB's workers are bounded and OpenCV starts none of its own.
class ThreadBudget {
 public:
  explicit ThreadBudget(int jobs)
      : control_(tbb::global_control::max_allowed_parallelism, static_cast<std::size_t>(jobs)),
        opencv_(cv::getNumThreads()) {
    cv::setNumThreads(1);
  }
  ~ThreadBudget() { cv::setNumThreads(opencv_); }
  ThreadBudget(const ThreadBudget&) = delete;
  ThreadBudget& operator=(const ThreadBudget&) = delete;

 private:
  tbb::global_control control_;
  int opencv_;
};

std::vector<fs::path> written_folders(const Workspace& workspace) {
  return {workspace.prepared() / "images", workspace.prepared() / "masks", workspace.prepared(),
          workspace.state() / "encoded"};
}

// All steps over a workspace that is open and locked.
PrepareOutcome run_set(
    const Workspace& workspace, const PrepareOptions& options, Progress& progress, Job job,
    const std::function<void(SetRun&)>& done = [](SetRun&) {}) {
  Journal journal(workspace.journal());
  OutputStore outputs(journal, workspace.root, options.full_check);
  SetRun set{workspace, options, job, worker_count(options.jobs), journal, outputs, progress};
  set.date = iso_date_of_run();
  set.outcome.root = workspace.root;
  set.outcome.title = workspace.file.specimen.title;
  set.add(workspace.findings);
  if (on_network(workspace.state())) {
    set.add({{Severity::note, "workspace", "",
              "The workspace lies on a network file system: its journal is kept with a rollback "
              "journal in place of a write-ahead log, which is slower.",
              "Nothing to do."}});
  }
  run_steps(set);
  done(set);
  return std::move(set.outcome);
}

}  // namespace

PrepareOutcome prepare(const fs::path& folder, const PrepareOptions& options, Progress& progress) {
  const Workspace workspace = open_workspace(folder, options.workspace);
  const WorkspaceLock lock(workspace);
  const InterruptGuard guard(written_folders(workspace));
  return prepare(workspace, lock, options, progress);
}

namespace {

// A run with a record or a table of its own is not what the next one without would come to. Where
// something changed under way, nothing is known of what stands there now. Only runs that did
// something are timed: a run that found nothing to do keeps the time of the one that did it.
void note_run(SetRun& set, const std::string& inputs) {
  if (inputs.empty() || workspace_stamp(set.workspace, false) != inputs) return;
  LastRun last = last_run_of(set);
  last.stamp = workspace_stamp(set.workspace);
  const std::optional<LastRun> before = read_last_run(set.workspace.root);
  if (before && before->finished && set.outcome.images_reused == set.outcome.images_prepared) {
    if (before->stamp == last.stamp) return;
    last.seconds = before->seconds;
  }
  write_last_run(set.workspace, last);
}

void note_failure(const Workspace& workspace, const std::string& inputs, const Error& error) {
  if (inputs.empty() || error.kind() != Error::Kind::data) return;
  LastRun last;
  last.sentence = error.what();
  last.verdict = report::Verdict::reshoot;
  last.date = iso_date_of_run();
  last.setup = workspace.setup.name;
  last.stamp = workspace_stamp(workspace);
  write_last_run(workspace, last);
}

}  // namespace

PrepareOutcome prepare(const Workspace& workspace, const WorkspaceLock& /*lock*/,
                       const PrepareOptions& options, Progress& progress) {
  for (const fs::path& each : written_folders(workspace)) remove_leftovers(each);
  const ThreadBudget budget(worker_count(options.jobs));
  initialise_metadata();
  const WorkspaceOptions& special = options.workspace;
  const bool plain = !special.calibration && !special.captures && !special.ignore_mismatch;
  const std::string inputs = plain ? workspace_stamp(workspace, false) : std::string();
  try {
    return with_sound_journal(workspace.journal(), [&] {
      return run_set(workspace, options, progress, Job::prepare,
                     [&inputs](SetRun& set) { note_run(set, inputs); });
    });
  } catch (const Error& error) {
    note_failure(workspace, inputs, error);
    throw;
  }
}

CheckOutcome check(const fs::path& folder, const PrepareOptions& options, Progress& progress) {
  const Workspace workspace = open_workspace(folder, options.workspace);
  const WorkspaceLock lock(workspace);
  const InterruptGuard guard({});
  const ThreadBudget budget(worker_count(options.jobs));
  CheckOutcome outcome;
  const auto take = [&outcome](SetRun& set) {
    outcome.survey = std::move(set.survey);
    for (std::size_t i = 0; i < set.items.size(); ++i) {
      outcome.checked.push_back(
          {set.items[i].station.source, set.relative[i], set.items[i].result.view});
    }
    std::vector<ViewMeasures> views;
    for (const CheckOutcome::CheckedStation& each : outcome.checked) views.push_back(each.measures);
    outcome.detail_um = measured_detail_um(views, set.workspace.setup.object_pixel_um());
    outcome.planned_detail_um = planned_detail_um(set.workspace);
  };
  static_cast<SetOutcome&>(outcome) = with_sound_journal(
      workspace.journal(), [&] { return run_set(workspace, options, progress, Job::check, take); });
  return outcome;
}

}  // namespace trunnion

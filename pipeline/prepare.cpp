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

PrepareOutcome prepare(const Workspace& workspace, const WorkspaceLock& /*lock*/,
                       const PrepareOptions& options, Progress& progress) {
  for (const fs::path& each : written_folders(workspace)) remove_leftovers(each);
  const ThreadBudget budget(worker_count(options.jobs));
  initialise_metadata();
  return with_sound_journal(workspace.journal(),
                            [&] { return run_set(workspace, options, progress, Job::prepare); });
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

#include "pipeline/desk/workbench.h"

#include <fmt/format.h>

#include <algorithm>

#include "core/error.h"
#include "pipeline/interrupt.h"
#include "pipeline/prepare.h"

namespace trunnion::desk {

Workbench::Workbench(std::filesystem::path folder, const DeskOptions& options)
    : folder_(std::move(folder)),
      options_(options),
      workspace_(open_workspace(folder_)),
      tiles_(image_limits(workspace_.file.settings.limits)) {
  if (!options_.read_only) lock_ = std::make_unique<WorkspaceLock>(workspace_, "trunnion desk");
  load_report();
  if (options_.read_only) return;
  wanted_ = true;
  thread_ = std::thread([this] { run(); });
}

Workbench::~Workbench() {
  end();
  if (thread_.joinable()) thread_.join();
}

void Workbench::end() {
  {
    const std::scoped_lock lock(mutex_);
    ending_ = true;
  }
  condition_.notify_all();
}

bool Workbench::ending() {
  const std::scoped_lock lock(mutex_);
  return ending_;
}

void Workbench::changed(bool prepare) {
  {
    const std::scoped_lock lock(mutex_);
    ++revision_;
    if (prepare) wanted_ = true;
  }
  condition_.notify_all();
}

std::uint64_t Workbench::wait(std::uint64_t revision, std::chrono::milliseconds longest) {
  std::unique_lock lock(mutex_);
  condition_.wait_for(lock, longest, [&] { return revision_ > revision || ending_; });
  return revision_;
}

Json Workbench::progress() {
  const std::scoped_lock lock(mutex_);
  return {{"revision", revision_}, {"running", running_ || wanted_},
          {"stage", stage_},       {"done", done_},
          {"total", total_},       {"error", error_}};
}

std::shared_ptr<const report::ReportData> Workbench::report() {
  const std::scoped_lock lock(mutex_);
  return report_;
}

void Workbench::load_report() {
  std::shared_ptr<const report::ReportData> read;
  try {
    report::ReportData data = report::read_report(report_folder());
    // Pictures are served from their files.
    data.backdrop_jpeg.clear();
    for (report::ReportView& view : data.views) {
      view.pictures.small_jpeg.clear();
      view.pictures.before_jpeg.clear();
      view.pictures.after_jpeg.clear();
    }
    read = std::make_shared<const report::ReportData>(std::move(data));
  } catch (const Error&) {
    return;  // not prepared yet
  }
  const std::scoped_lock lock(mutex_);
  report_ = std::move(read);
}

void Workbench::prepare_once() {
  const auto listener = [this](const std::string& stage, std::size_t done, std::size_t total) {
    {
      const std::scoped_lock lock(mutex_);
      // What was found so far stays in the journal: to begin again costs little.
      if (done == 0 && (wanted_ || ending_)) {
        throw Error(Error::Kind::interrupted, "The run begins again.");
      }
      stage_ = stage;
      done_ = done;
      total_ = total;
      ++revision_;
    }
    condition_.notify_all();
  };
  Progress progress({}, {.quiet = true, .listener = listener});
  PrepareOptions options;
  options.jobs = options_.jobs;
  const Workspace workspace = open_workspace(folder_);
  std::string error;
  try {
    trunnion::prepare(workspace, *lock_, options, progress);
    load_report();
  } catch (const Error& problem) {
    if (problem.kind() != Error::Kind::interrupted) error = problem.what();
  }
  const std::scoped_lock lock(mutex_);
  error_ = error;
}

void Workbench::run() {
  for (;;) {
    {
      std::unique_lock lock(mutex_);
      condition_.wait(lock, [this] { return wanted_ || ending_; });
      if (ending_) return;
      wanted_ = false;
      running_ = true;
    }
    try {
      prepare_once();
    } catch (const std::exception& problem) {  // of a file that was changed meanwhile
      const std::scoped_lock lock(mutex_);
      error_ = problem.what();
    }
    {
      const std::scoped_lock lock(mutex_);
      running_ = false;
      stage_.clear();
    }
    changed(false);
  }
}

}  // namespace trunnion::desk

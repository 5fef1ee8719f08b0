#include "pipeline/gather/gather_run.h"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <map>
#include <set>

#include "config/share.h"
#include "core/error.h"
#include "core/hash.h"
#include "core/metadata.h"
#include "pipeline/gather/batch_list.h"
#include "pipeline/gather/corrected_series.h"
#include "pipeline/gather/find_frames.h"
#include "pipeline/gather/sequence.h"
#include "pipeline/interrupt.h"
#include "pipeline/workspace.h"
#include "pipeline/workspace_lock.h"

namespace trunnion {
namespace {

// Frames given, and those gathered earlier that are not among them.
std::vector<SourceFrame> sources_of(const std::vector<fs::path>& given, const fs::path& frames,
                                    GatherOutcome& outcome) {
  std::vector<SourceFrame> all;
  for (const fs::path& file : given) all.push_back({{}, source_of(file), file});
  std::map<std::string, std::vector<std::size_t>> by_name;
  for (std::size_t i = 0; i < all.size(); ++i) {
    by_name[all[i].source.file.filename().string()].push_back(i);
  }
  for (const auto& [folder, content] : read_store(frames)) {
    for (const auto& [copy, source] : content) {
      SourceFrame* same = nullptr;
      for (const std::size_t i : by_name[source.file.filename().string()]) {
        if (all[i].source.same_file(source)) same = &all[i];
      }
      const fs::path file = frames / folder / copy;
      if (same != nullptr) {
        same->source.hash = source.hash;
        ++outcome.earlier;
      } else if (fs::exists(file)) {
        all.push_back({{}, source, file});
        ++outcome.earlier;
      }
    }
  }
  return all;
}

void read_facts(std::vector<SourceFrame>& all, Progress& progress) {
  initialise_metadata();
  progress.start("read frames", all.size());
  tbb::parallel_for(std::size_t{0}, all.size(), [&](std::size_t i) {
    if (interrupted()) return;
    all[i].facts = gather::read_frame(all[i].readable_at);
    gather::name_frame(all[i].facts, all[i].source.file);
    progress.step();
  });
  check_interrupt();
  progress.finish();
}

// One of frames that are equal byte by byte is enough: a card given twice, or copied before.
void drop_identical(std::vector<SourceFrame>& all, GatherOutcome& outcome) {
  std::map<std::pair<std::uintmax_t, double>, std::vector<std::size_t>> alike;
  for (std::size_t i = 0; i < all.size(); ++i) {
    alike[{all[i].source.bytes, all[i].facts.time_s.value_or(0)}].push_back(i);
  }
  std::set<std::size_t> dropped;
  for (const auto& [key, group] : alike) {
    if (group.size() < 2) continue;
    std::map<std::string, std::size_t> first;
    // A copy that is there already stands for the others.
    std::vector<std::size_t> sorted = group;
    std::stable_partition(sorted.begin(), sorted.end(),
                          [&](std::size_t i) { return !all[i].source.hash.empty(); });
    for (const std::size_t i : sorted) {
      FrameSource& source = all[i].source;
      if (source.hash.empty()) source.hash = hash_file(all[i].readable_at);
      if (!first.try_emplace(source.hash, i).second) dropped.insert(i);
    }
  }
  std::vector<SourceFrame> kept;
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (!dropped.contains(i)) kept.push_back(std::move(all[i]));
  }
  all = std::move(kept);
  outcome.identical = static_cast<int>(dropped.size());
}

std::string batch_text(const GatherRequest& request, const std::string& title,
                       const std::vector<SeriesRow>& rows,
                       const std::vector<StoreChange>& changes) {
  std::vector<BatchSeries> series;
  for (const SeriesRow& row : rows) {
    if (row.state != "whole") continue;
    BatchSeries each{row, {}};
    for (const StoreChange& change : changes) {
      if ("frames/" + change.folder != row.folder) continue;
      for (const auto& [name, source] : change.wanted) {
        each.frames.push_back(row.folder + "/" + name);
      }
    }
    series.push_back(std::move(each));
  }
  const fs::path shipped = share_folder() / "templates" / "fuse.mustache";
  return batch_list(request.batch_template.empty() ? shipped : request.batch_template, title,
                    series);
}

// While folders change, nothing may point to them: a list that is out of date names wrong frames.
void withdraw_lists(const GatherRequest& request, const std::vector<std::string>& texts) {
  const std::vector<fs::path> files{request.workspace / "series.csv",
                                    request.workspace / request.batch};
  for (std::size_t i = 0; i < files.size(); ++i) {
    if (fs::is_regular_file(files[i]) && read_file(files[i]) != texts[i]) fs::remove(files[i]);
  }
}

void write_all(const GatherRequest& request, const std::string& batch,
               const std::vector<StoreChange>& changes, GatherOutcome& outcome,
               Progress& progress) {
  const std::string csv = series_csv(outcome.rows);
  withdraw_lists(request, {csv, batch});
  progress.start("copy frames", static_cast<std::size_t>(outcome.frames));
  outcome.store = change_store(request.workspace / "frames", changes, [&] {
    check_interrupt();
    progress.step();
  });
  progress.finish();
  write_file(request.workspace / "series.csv", csv);
  outcome.written.push_back("series.csv");
  if (request.batch.empty()) return;
  write_file(request.workspace / request.batch, batch);
  outcome.written.push_back(request.batch);
}

void guard_batch_name(const std::string& batch) {
  const fs::path name(batch);
  if (batch.empty() || (name.filename() == name && name != "." && name != ".." &&
                        name != "specimen.toml" && name != "series.csv" && name != "plan.json")) {
    return;
  }
  throw usage_error(
      fmt::format("--batch {}: give a plain file name; it is written into the "
                  "workspace.",
                  batch));
}

}  // namespace

GatherOutcome gather_frames(const GatherRequest& request, Progress& progress) {
  guard_batch_name(request.batch);
  const fs::path toml = request.workspace / "specimen.toml";
  if (!fs::exists(toml)) {
    throw usage_error(
        fmt::format("{}: contains no specimen.toml; write one (see docs/workspace.md) "
                    "or let trunnion plan write it.",
                    request.workspace.string()));
  }
  const SpecimenFile specimen = read_specimen(toml);
  const std::vector<ExpectedStation> expected =
      expected_stations(request.workspace, specimen.specimen);
  Workspace locked;
  locked.root = request.workspace;
  std::unique_ptr<WorkspaceLock> lock;
  if (!request.dry_run) lock = std::make_unique<WorkspaceLock>(locked);

  GatherOutcome outcome;
  const FoundFrames found = find_frames(request.inputs, request.workspace);
  outcome.companions = found.companions;
  outcome.others = found.others;
  std::vector<SourceFrame> sources =
      sources_of(found.frames, request.workspace / "frames", outcome);
  read_facts(sources, progress);
  drop_identical(sources, outcome);
  const Sequence sequence = analyse(std::move(sources), expected,
                                    read_corrected_series(request.workspace), request.use_previews);
  outcome.frames = static_cast<int>(sequence.frames.size());
  outcome.interval_s = sequence.gathering.interval_s;
  outcome.rows = sequence.rows;
  outcome.findings = sequence.findings;
  outcome.findings.insert(outcome.findings.end(), sequence.faults.begin(), sequence.faults.end());
  const std::string batch = request.batch.empty() ? std::string()
                                                  : batch_text(request, specimen.specimen.title,
                                                               outcome.rows, sequence.changes);
  if (!request.dry_run) write_all(request, batch, sequence.changes, outcome, progress);
  return outcome;
}

GatherOutcome undo_gather(const fs::path& workspace, const std::string& batch) {
  guard_batch_name(batch);
  if (!fs::is_directory(workspace)) {
    throw usage_error(fmt::format("{}: no such folder; give a workspace.", workspace.string()));
  }
  Workspace locked;
  locked.root = workspace;
  const WorkspaceLock lock(locked);
  GatherOutcome outcome;
  for (const fs::path& file : {workspace / "series.csv", workspace / batch}) {
    std::error_code code;
    if (fs::is_regular_file(file) && fs::remove(file, code)) {
      outcome.written.push_back(file.filename().string());
    }
  }
  outcome.store = undo_store(workspace / "frames");
  for (const std::string& file : outcome.store.altered) {
    outcome.findings.push_back({Severity::doubt, "gather", file,
                                "This copy was changed after it was gathered; it was left.",
                                "Remove it yourself if you don't need it."});
  }
  return outcome;
}

}  // namespace trunnion

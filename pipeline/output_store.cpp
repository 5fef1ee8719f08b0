#include "pipeline/output_store.h"

#include <tbb/parallel_for.h>

#include <atomic>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "core/write_fence.h"

namespace trunnion {
namespace {

bool lies_below(const std::filesystem::path& relative, const std::filesystem::path& folder) {
  const std::filesystem::path normal = relative.lexically_normal();
  return normal.is_relative() && normal.begin() != normal.end() && *normal.begin() == folder;
}

// A file that can't be read is not what was written.
bool holds_content(const std::filesystem::path& file, const std::string& hash) {
  try {
    return hash_file(file) == hash;
  } catch (const Error&) {
    return false;
  }
}

}  // namespace

bool OutputStore::current(const std::string& relative, const std::string& fingerprint) {
  {
    const std::scoped_lock lock(mutex_);
    kept_.insert(relative);
  }
  const auto recorded = journal_.output(relative);
  return recorded && recorded->fingerprint == fingerprint && untouched(*recorded);
}

bool OutputStore::made_from(const std::string& relative, const std::string& beginning) {
  const auto recorded = journal_.output(relative);
  return recorded && recorded->fingerprint.starts_with(beginning) && untouched(*recorded);
}

bool OutputStore::untouched(const RecordedOutput& recorded) {
  const std::filesystem::path file = root_ / recorded.path;
  const FileStamp stamp = stamp_of(file);
  const bool same_time = stamp.modified_ns == recorded.modified_ns;
  if (stamp.bytes != recorded.bytes || !std::filesystem::is_regular_file(file)) return false;
  if (same_time && !full_check_) return true;
  if (!holds_content(file, recorded.hash)) return false;
  if (!same_time) {
    RecordedOutput now = recorded;
    now.modified_ns = stamp.modified_ns;
    journal_.record_output(now);
  }
  return true;
}

bool OutputStore::all_current() {
  const std::vector<RecordedOutput> recorded = journal_.outputs();
  {
    const std::scoped_lock lock(mutex_);
    for (const RecordedOutput& output : recorded) kept_.insert(output.path);
  }
  std::atomic<bool> current = true;
  tbb::parallel_for(std::size_t{0}, recorded.size(), [&](std::size_t i) {
    if (current && !untouched(recorded[i])) current = false;
  });
  return current;
}

std::string OutputStore::digest() {
  std::string all;
  for (const RecordedOutput& output : journal_.outputs()) {
    all += output.path + '\n' + output.fingerprint + '\n' + output.hash + '\n';
  }
  return hash_bytes(all);
}

void OutputStore::record(const std::string& relative, const std::string& fingerprint) {
  const std::filesystem::path file = root_ / relative;
  const FileStamp stamp = stamp_of(file);
  std::string hash;
  try {
    hash = hash_file(file);
  } catch (const Error& error) {
    throw output_error(error.what());  // it was written a moment ago
  }
  journal_.record_output({relative, stamp.bytes, stamp.modified_ns, hash, fingerprint});
  const std::scoped_lock lock(mutex_);
  kept_.insert(relative);
}

void OutputStore::record_folder(const std::string& relative, const std::string& fingerprint) {
  for (const auto& entry : std::filesystem::recursive_directory_iterator(root_ / relative)) {
    if (!entry.is_regular_file()) continue;
    record(entry.path().lexically_relative(root_).generic_string(), fingerprint);
  }
  for (const RecordedOutput& output : journal_.outputs()) {
    if (output.path.starts_with(relative + "/") && !std::filesystem::exists(root_ / output.path)) {
      journal_.forget_output(output.path);  // went with the folder that stood there before
    }
  }
}

std::vector<RecordedOutput> OutputStore::kept() {
  std::vector<RecordedOutput> result;
  for (const RecordedOutput& output : journal_.outputs()) {
    if (kept_.contains(output.path)) result.push_back(output);
  }
  return result;
}

std::vector<std::string> OutputStore::remove_stale() {
  std::vector<std::string> removed;
  for (const RecordedOutput& output : journal_.outputs()) {
    if (kept_.contains(output.path)) continue;
    // A journal may come from a stranger, and a file may have been replaced by hand.
    if (!lies_below(output.path, "prepared") || !untouched(output)) {
      journal_.forget_output(output.path);
      continue;
    }
    check_fence(root_ / output.path);
    std::error_code ignored;
    // One that can't be removed now is still known to the next run.
    if (!std::filesystem::remove(root_ / output.path, ignored)) continue;
    journal_.forget_output(output.path);
    removed.push_back(output.path);
    // A folder that nothing is left in says nothing either; one that holds anything stays.
    for (std::filesystem::path folder = std::filesystem::path(output.path).parent_path();
         folder.has_parent_path() && std::filesystem::remove(root_ / folder, ignored);
         folder = folder.parent_path()) {
    }
  }
  return removed;
}

}  // namespace trunnion

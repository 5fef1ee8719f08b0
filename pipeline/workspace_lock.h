// One run at a time in a workspace, on one machine or on several that share its folder.
//
// A lease, .trunnion/lease.N: the highest N has the workspace. Its file is made whole under another
// name, locked (flock), and put in place by link(2), which fails where another was first, so that N
// has one holder whatever the file system. The holder renews the time stamp every sixth of the
// lease; both times that are compared are those of the file system, so that clocks of machines may
// differ. A lease is taken over
//   at once     where it was given back, or where the machine is the same and the lock is gone with
//               its process;
//   later       where the holder has not renewed it for as long as it lasts and still does not: a
//               machine that is gone or cut off, a process that was stopped.
// Such a holder may wake up again. It writes nothing any more: whatever is written goes through the
// fence (core/write_fence.h), which looks for a later lease before a file is begun and before it
// appears; should it have been stopped between that look and the rename, its temporary files, which
// bear its number, are gone, and the rename fails. The journal was replaced by a copy: what it
// writes goes to a file without a name.
#pragma once

#include <atomic>
#include <condition_variable>
#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <string_view>
#include <thread>

#include "core/files.h"
#include "core/write_fence.h"
#include "pipeline/workspace.h"

namespace trunnion {

class WorkspaceLock {
 public:
  // `holder`: the name that others read. Throws a data error that names the other program and its
  // process where the workspace is in use.
  explicit WorkspaceLock(const Workspace& workspace, std::string_view holder = kRun);
  static constexpr std::string_view kRun = "another run of trunnion";
  ~WorkspaceLock();
  WorkspaceLock(const WorkspaceLock&) = delete;
  WorkspaceLock& operator=(const WorkspaceLock&) = delete;

  // Throws an output error where another run has taken the workspace over.
  void check() const;

 private:
  void renew();

  fs::path root_;
  fs::path state_;
  std::uint64_t number_ = 0;
  int descriptor_ = -1;
  double seconds_;  // that the lease lasts
  mutable std::atomic<bool> lost_{false};
  std::mutex mutex_;
  std::condition_variable wake_;
  bool ending_ = false;
  std::thread renewing_;
  std::unique_ptr<WriteFence> fence_;
};

// Who has the workspace now, as a phrase; nothing where nobody does. Takes no lock.
std::optional<std::string> workspace_holder(const fs::path& workspace);

// How long a lease lasts, s: 30, or TRUNNION_LEASE_SECONDS of the environment (1 to 3600).
double lease_seconds();

}  // namespace trunnion

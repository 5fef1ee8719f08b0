// The desk: a page on this machine on which a person sees a set, mends its masks and decides.
//
// Serves until Ctrl-C; everything decided or painted is on the disk by then. It holds the lock of
// the workspace, so that no other run writes there; with read_only it takes no lock and writes
// nothing.
#pragma once

#include <filesystem>
#include <functional>
#include <string>

namespace trunnion::desk {

struct DeskOptions {
  int port = 0;            // 0: any that is free
  bool read_only = false;  // see, but change nothing
  int jobs = 0;            // 0: one a core
};

// `ready` is called once with the address to open, which holds a token that opens the page once.
// Throws what open_workspace and WorkspaceLock throw, and an output error where the port is taken.
void run_desk(const std::filesystem::path& folder, const DeskOptions& options,
              const std::function<void(const std::string& address)>& ready);

}  // namespace trunnion::desk

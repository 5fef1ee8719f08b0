// Ctrl-C and SIGTERM: a run stops at the next safe point; where that takes longer than a second and
// a half, the process is ended nevertheless, which is safe: outputs appear whole or not at all
// and the journal survives a kill at any point.
#pragma once

#include <filesystem>
#include <vector>

namespace trunnion {

// While alive, the two signals are caught. One at a time.
class InterruptGuard {
 public:
  // Folders to clear of temporary files should the process have to end at once.
  explicit InterruptGuard(std::vector<std::filesystem::path> folders);
  ~InterruptGuard();
  InterruptGuard(const InterruptGuard&) = delete;
  InterruptGuard& operator=(const InterruptGuard&) = delete;
};

// True once the user asked to stop.
bool interrupted();

// Throws Error::Kind::interrupted once the user asked to stop.
void check_interrupt();

}  // namespace trunnion

#include "pipeline/interrupt.h"

#include <fmt/format.h>
#include <pthread.h>
#include <unistd.h>

#include <atomic>
#include <chrono>
#include <csignal>
#include <cstdio>
#include <thread>

#include "core/error.h"
#include "core/files.h"
#include "pipeline/text.h"

namespace trunnion {
namespace {

constexpr std::chrono::milliseconds kPatience{1500};
constexpr const char* kSaved =
    "Stopped on request. Finished images are kept; run the same command again to continue.";

std::atomic<bool> stop_wanted{false};
std::atomic<bool> guard_alive{false};
std::thread watcher;

sigset_t stop_signals() {
  sigset_t set;
  sigemptyset(&set);
  sigaddset(&set, SIGINT);
  sigaddset(&set, SIGTERM);
  sigaddset(&set, SIGUSR2);  // sent by the guard's own end
  return set;
}

// Waits for a signal in a thread of its own, where any call is safe.
void watch(const std::vector<fs::path>& folders) {
  const sigset_t set = stop_signals();
  int signal = 0;
  sigwait(&set, &signal);
  if (signal == SIGUSR2) return;
  stop_wanted = true;
  const auto end = std::chrono::steady_clock::now() + kPatience;
  while (guard_alive && std::chrono::steady_clock::now() < end) {
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
  }
  if (!guard_alive) return;
  for (const fs::path& folder : folders) remove_leftovers(folder);
  show(stderr, fmt::format("\ntrunnion: {}\n", kSaved));
  ::_exit(130);
}

}  // namespace

InterruptGuard::InterruptGuard(std::vector<fs::path> folders) {
  stop_wanted = false;
  guard_alive = true;
  // Blocked here and so in every thread started later: only the watcher receives them.
  const sigset_t set = stop_signals();
  pthread_sigmask(SIG_BLOCK, &set, nullptr);
  watcher = std::thread([folders = std::move(folders)] { watch(folders); });
}

InterruptGuard::~InterruptGuard() {
  guard_alive = false;
  pthread_kill(watcher.native_handle(), SIGUSR2);
  watcher.join();
}

bool interrupted() {
  return stop_wanted;
}

void check_interrupt() {
  if (stop_wanted) throw Error(Error::Kind::interrupted, kSaved);
}

}  // namespace trunnion

// A thread for disk work, so that the workers do not wait for the disk.
#pragma once

#include <tbb/concurrent_queue.h>

#include <cstddef>
#include <exception>
#include <functional>
#include <mutex>
#include <thread>

namespace trunnion {

class DiskThread {
 public:
  // `waiting`: pieces of work that may wait; whoever posts more waits until there is room.
  explicit DiskThread(std::size_t waiting);
  // Does what was posted.
  ~DiskThread();
  DiskThread(const DiskThread&) = delete;
  DiskThread& operator=(const DiskThread&) = delete;

  // Work is done in the order posted. After an error nothing more is done and this throws it. Any
  // thread.
  void post(std::function<void()> work);

  // Waits for all that was posted; throws the first error. Once, and nothing is posted after it.
  void finish();

 private:
  void run();
  void rethrow();
  void end();

  tbb::concurrent_bounded_queue<std::function<void()>> queue_;
  std::mutex mutex_;
  std::exception_ptr error_;
  std::thread thread_;
};

}  // namespace trunnion

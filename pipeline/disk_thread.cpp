#include "pipeline/disk_thread.h"

#include <utility>

namespace trunnion {

DiskThread::DiskThread(std::size_t waiting) {
  queue_.set_capacity(static_cast<std::ptrdiff_t>(waiting));
  thread_ = std::thread([this] { run(); });
}

DiskThread::~DiskThread() {
  end();
}

void DiskThread::post(std::function<void()> work) {
  rethrow();
  queue_.push(std::move(work));
}

void DiskThread::finish() {
  end();
  rethrow();
}

void DiskThread::end() {
  if (!thread_.joinable()) return;
  queue_.push({});  // the end
  thread_.join();
}

void DiskThread::run() {
  for (;;) {
    std::function<void()> work;
    queue_.pop(work);
    if (!work) return;
    {
      const std::scoped_lock lock(mutex_);
      if (error_) continue;
    }
    try {
      work();
    } catch (...) {
      const std::scoped_lock lock(mutex_);
      error_ = std::current_exception();
    }
  }
}

void DiskThread::rethrow() {
  const std::scoped_lock lock(mutex_);
  if (error_) std::rethrow_exception(error_);
}

}  // namespace trunnion

#include "pipeline/desk/connections.h"

#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <condition_variable>
#include <deque>
#include <mutex>
#include <thread>
#include <vector>

namespace trunnion::desk {
namespace {

using Clock = std::chrono::steady_clock;

// A pool whose queue is bounded: who comes when it is full makes the listener wait.
class BoundedPool : public httplib::TaskQueue {
 public:
  BoundedPool(std::size_t workers, std::size_t waiting) : waiting_(waiting) {
    for (std::size_t k = 0; k < workers; ++k) threads_.emplace_back([this] { work(); });
  }

  void enqueue(std::function<void()> job) override {
    std::unique_lock lock(mutex_);
    changed_.wait(lock, [&] { return jobs_.size() < waiting_ || ending_; });
    jobs_.push_back(std::move(job));
    changed_.notify_all();
  }

  void shutdown() override {
    {
      const std::scoped_lock lock(mutex_);
      ending_ = true;
    }
    changed_.notify_all();
    for (std::thread& thread : threads_) thread.join();
  }

 private:
  void work() {
    for (;;) {
      std::function<void()> job;
      {
        std::unique_lock lock(mutex_);
        changed_.wait(lock, [&] { return !jobs_.empty() || ending_; });
        if (jobs_.empty()) return;
        job = std::move(jobs_.front());
        jobs_.pop_front();
      }
      changed_.notify_all();
      job();
    }
  }

  std::size_t waiting_;
  std::vector<std::thread> threads_;
  std::deque<std::function<void()>> jobs_;
  bool ending_ = false;
  std::mutex mutex_;
  std::condition_variable changed_;
};

// Reads end at one deadline, however the bytes are spread; each write has its own.
class DeadlineStream : public httplib::Stream {
 public:
  DeadlineStream(socket_t sock, const ConnectionLimits& limits)
      : socket_(sock), write_(limits.write), read_end_(Clock::now() + limits.request) {}

  [[nodiscard]] bool is_readable() const override { return ready(POLLIN, read_end_); }
  // Asked while waiting for an event: whether the other side is still there.
  [[nodiscard]] bool is_writable() const override {
    pollfd poll{socket_, POLLOUT | POLLRDHUP, 0};
    if (::poll(&poll, 1, 0) < 0) return false;
    return (poll.revents & (POLLERR | POLLHUP | POLLRDHUP)) == 0;
  }

  ssize_t read(char* data, size_t size) override {
    return ready(POLLIN, read_end_) ? ::recv(socket_, data, size, 0) : -1;
  }

  ssize_t write(const char* data, size_t size) override {
    if (!ready(POLLOUT, Clock::now() + write_)) return -1;
    return ::send(socket_, data, size, MSG_NOSIGNAL | MSG_DONTWAIT);
  }

  void get_remote_ip_and_port(std::string& ip, int& port) const override {
    ip = "127.0.0.1";
    port = 0;
  }
  void get_local_ip_and_port(std::string& ip, int& port) const override {
    get_remote_ip_and_port(ip, port);
  }
  [[nodiscard]] socket_t socket() const override { return socket_; }

 private:
  [[nodiscard]] bool ready(short what, Clock::time_point end) const {
    const auto left =
        std::chrono::duration_cast<std::chrono::milliseconds>(end - Clock::now()).count();
    pollfd poll{socket_, what, 0};
    return left > 0 && ::poll(&poll, 1, static_cast<int>(left)) > 0;
  }

  socket_t socket_;
  std::chrono::milliseconds write_;
  Clock::time_point read_end_;
};

}  // namespace

BoundedServer::BoundedServer(const ConnectionLimits& limits) : limits_(limits) {
  set_payload_max_length(limits.body_bytes);
  new_task_queue = [limits] { return new BoundedPool(limits.workers, limits.waiting); };
}

bool BoundedServer::process_and_close_socket(socket_t sock) {
  DeadlineStream stream(sock, limits_);
  bool closed = false;
  const bool done = process_request(stream, true, closed, nullptr);
  // What was sent must not be lost to a reset by bytes that nobody read.
  ::shutdown(sock, SHUT_WR);
  std::array<char, 4096> rest{};
  for (int k = 0; k < 64 && ::recv(sock, rest.data(), rest.size(), MSG_DONTWAIT) > 0; ++k) {
  }
  ::close(sock);
  return done;
}

}  // namespace trunnion::desk

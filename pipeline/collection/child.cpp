#include "pipeline/collection/child.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <utility>

#include "core/error.h"

namespace trunnion::collection {
namespace {

// What was written to a file in memory, from its beginning.
std::string all_of(int file) {
  std::string text;
  std::array<char, 16384> block{};
  for (off_t at = 0;;) {
    const ssize_t got = ::pread(file, block.data(), block.size(), at);
    if (got <= 0) return text;
    text.append(block.data(), static_cast<std::size_t>(got));
    at += got;
  }
}

int file_in_memory() {
  const int file = ::memfd_create("trunnion child", MFD_CLOEXEC);
  if (file < 0) {
    throw output_error(
        fmt::format("No room for the output of another run ({}).", std::strerror(errno)));
  }
  return file;
}

// Between fork and exec: system calls only, since other threads may hold any lock.
[[noreturn]] void become(const std::vector<char*>& arguments, int out, int errors, pid_t parent) {
  sigset_t none;
  sigemptyset(&none);
  ::sigprocmask(SIG_SETMASK, &none, nullptr);
  ::setpgid(0, 0);
  ::prctl(PR_SET_PDEATHSIG, SIGTERM);
  if (::getppid() != parent) ::_exit(130);  // it ended before that was set
  const int nothing = ::open("/dev/null", O_RDONLY);
  if (nothing >= 0) ::dup2(nothing, STDIN_FILENO);
  ::dup2(out, STDOUT_FILENO);
  ::dup2(errors, STDERR_FILENO);
  ::execv("/proc/self/exe", arguments.data());
  ::_exit(127);
}

}  // namespace

Child::Child(const std::vector<std::string>& arguments)
    : out_(file_in_memory()), errors_(file_in_memory()) {
  std::vector<std::string> all{"trunnion"};
  all.insert(all.end(), arguments.begin(), arguments.end());
  std::vector<char*> pointers;
  pointers.reserve(all.size() + 1);
  for (std::string& each : all) pointers.push_back(each.data());
  pointers.push_back(nullptr);
  const pid_t self = ::getpid();
  process_ = ::fork();
  if (process_ == 0) become(pointers, out_, errors_, self);
  if (process_ < 0) {
    const int reason = errno;
    ::close(out_);
    ::close(errors_);
    throw output_error(fmt::format("Another run can't be started ({}).", std::strerror(reason)));
  }
}

Child::Child(Child&& other) noexcept
    : process_(std::exchange(other.process_, -1)),
      out_(std::exchange(other.out_, -1)),
      errors_(std::exchange(other.errors_, -1)) {}

Child& Child::operator=(Child&& other) noexcept {
  std::swap(process_, other.process_);
  std::swap(out_, other.out_);
  std::swap(errors_, other.errors_);
  return *this;
}

Child::~Child() {
  if (process_ > 0) {
    ::kill(process_, SIGKILL);
    ::waitpid(process_, nullptr, 0);
  }
  if (out_ >= 0) ::close(out_);
  if (errors_ >= 0) ::close(errors_);
}

std::optional<Child::End> Child::ended() {
  int status = 0;
  if (::waitpid(process_, &status, WNOHANG) != process_) return std::nullopt;
  process_ = -1;
  End end;
  end.exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : 1;
  end.signal = WIFSIGNALED(status) ? WTERMSIG(status) : 0;
  end.out = all_of(out_);
  end.errors = all_of(errors_);
  return end;
}

void Child::ask_to_stop() const {
  if (process_ > 0) ::kill(process_, SIGTERM);
}

}  // namespace trunnion::collection

#include "pipeline/workspace_lock.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <charconv>
#include <chrono>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <sstream>
#include <utility>
#include <vector>

#include "core/error.h"
#include "pipeline/journal.h"

namespace trunnion {
namespace {

constexpr std::string_view kName = "lease.";
constexpr std::string_view kGivenBack = "given back";
constexpr double kRenewals = 6;  // in the time of a lease

fs::path lease_file(const fs::path& state, std::uint64_t number) {
  return state / fmt::format("{}{}", kName, number);
}

// The numbers of all leases that are there.
std::vector<std::uint64_t> numbers_in(const fs::path& state) {
  std::vector<std::uint64_t> numbers;
  std::error_code code;
  for (fs::directory_iterator each(state, code), end; !code && each != end; each.increment(code)) {
    const std::string name = each->path().filename().string();
    std::uint64_t number = 0;
    constexpr std::size_t kDigits = 18;  // more would not fit
    if (!name.starts_with(kName) || name.size() > kName.size() + kDigits) continue;
    const char* const last = name.data() + name.size();
    const auto read = std::from_chars(name.data() + kName.size(), last, number);
    if (read.ec == std::errc() && read.ptr == last) numbers.push_back(number);
  }
  std::sort(numbers.begin(), numbers.end());
  return numbers;
}

std::uint64_t highest_in(const fs::path& state) {
  const std::vector<std::uint64_t> numbers = numbers_in(state);
  return numbers.empty() ? 0 : numbers.back();
}

std::string this_boot() {
  std::string boot;
  std::ifstream("/proc/sys/kernel/random/boot_id") >> boot;
  return boot;
}

std::string this_host() {
  std::array<char, 256> name{};
  ::gethostname(name.data(), name.size() - 1);
  return name.data();
}

double seconds_of(const timespec& time) {
  return static_cast<double>(time.tv_sec) + 1e-9 * static_cast<double>(time.tv_nsec);
}

// What a lease says of its holder, in words divided by blanks: process, boot, host, seconds, name.
struct Holder {
  bool given_back = false;
  std::string process = "unknown";
  std::string boot;
  std::string host;
  double seconds = 0;
  std::string name{WorkspaceLock::kRun};
  double renewed = 0;  // time stamp of the file, s

  [[nodiscard]] std::string phrase() const {
    const bool here = boot.empty() || boot == this_boot();
    return here ? fmt::format("{} (process {})", name, process)
                : fmt::format("{} (process {} on {})", name, process, host);
  }
};

// None where it is gone or can't be read, as a link.
std::optional<Holder> holder_in(const fs::path& file) {
  const int descriptor = ::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
  if (descriptor < 0) return std::nullopt;
  std::array<char, 1024> bytes{};
  const ssize_t got = ::read(descriptor, bytes.data(), bytes.size() - 1);
  struct stat status {};
  const bool good = ::fstat(descriptor, &status) == 0 && got >= 0 && S_ISREG(status.st_mode);
  ::close(descriptor);
  if (!good) return std::nullopt;
  const std::string text(bytes.data(), static_cast<std::size_t>(got));
  Holder holder;
  holder.given_back = text.starts_with(kGivenBack);
  holder.renewed = seconds_of(status.st_mtim);
  std::istringstream words(text);
  std::string name;
  words >> holder.process >> holder.boot >> holder.host >> holder.seconds >> std::ws;
  if (std::getline(words, name) && !name.empty()) holder.name = name;
  return holder;
}

int next_candidate() {
  static std::atomic<int> count{0};
  return ++count;
}

// A file of this process, written and locked, that is put in place as a lease.
class Candidate {
 public:
  Candidate(const fs::path& state, std::string_view holder)
      : file_(state / fmt::format("{}lease.{}.{}.{}", kTemporaryPrefix, this_host(), ::getpid(),
                                  next_candidate())) {
    std::error_code code;
    fs::remove(file_, code);
    descriptor_ = ::open(file_.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0644);
    const std::string text = fmt::format("{} {} {} {} {}\n", ::getpid(), this_boot(), this_host(),
                                         lease_seconds(), holder);
    if (descriptor_ < 0 ||
        ::write(descriptor_, text.data(), text.size()) != static_cast<ssize_t>(text.size())) {
      const int reason = errno;
      if (descriptor_ >= 0) ::close(descriptor_);
      fs::remove(file_, code);
      throw output_error(fmt::format("{}: cannot be written ({}); make the workspace writable.",
                                     file_.string(), std::strerror(reason)));
    }
    ::flock(descriptor_, LOCK_EX | LOCK_NB);  // nobody else knows the file
  }
  ~Candidate() {
    std::error_code code;
    fs::remove(file_, code);
    if (descriptor_ >= 0) ::close(descriptor_);
  }
  Candidate(const Candidate&) = delete;
  Candidate& operator=(const Candidate&) = delete;

  // The time of the file system, s.
  [[nodiscard]] double now() const {
    ::futimens(descriptor_, nullptr);
    struct stat status {};
    ::fstat(descriptor_, &status);
    return seconds_of(status.st_mtim);
  }
  // False where the number is taken.
  [[nodiscard]] bool put_at(const fs::path& lease) const {
    (void)now();
    if (::link(file_.c_str(), lease.c_str()) == 0) return true;
    if (errno == EEXIST) return false;
    // File systems of memory cards and external disks know no hard links.
    if (::renameat2(AT_FDCWD, file_.c_str(), AT_FDCWD, lease.c_str(), RENAME_NOREPLACE) == 0) {
      return true;
    }
    if (errno == EEXIST) return false;
    throw output_error(fmt::format(
        "{}: cannot be put in place ({}); move the workspace to a disk of this machine.",
        lease.string(), std::strerror(errno)));
  }
  [[nodiscard]] int release() { return std::exchange(descriptor_, -1); }

 private:
  fs::path file_;
  int descriptor_ = -1;
};

enum class Standing { free, dead, expired, held };

// Whether the process that holds a lease of this machine is gone.
bool lock_is_gone(const fs::path& file) {
  const int descriptor = ::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
  if (descriptor < 0) return true;
  const bool gone = ::flock(descriptor, LOCK_EX | LOCK_NB) == 0;
  ::close(descriptor);
  return gone;
}

// A clock that was set may make a lease look old: it counts as expired only if it is not renewed
// while it is watched.
Standing standing_of(const fs::path& file, const Candidate& candidate) {
  const std::optional<Holder> holder = holder_in(file);
  if (!holder || holder->given_back) return Standing::free;
  if (holder->boot.empty()) return Standing::free;  // written by nobody
  if (holder->boot == this_boot() && lock_is_gone(file)) return Standing::dead;
  if (candidate.now() - holder->renewed <= holder->seconds) return Standing::held;
  const auto watched = std::chrono::duration<double>(1.5 * holder->seconds / kRenewals);
  std::this_thread::sleep_for(watched);
  const std::optional<Holder> later = holder_in(file);
  const bool renewed = later && later->renewed != holder->renewed;
  return renewed ? Standing::held : Standing::expired;
}

// Temporary files of the holder before, wherever a run makes them: without them nothing of it can
// appear any more.
void sweep(const fs::path& root) {
  remove_leftovers(root);
  std::error_code code;
  for (const fs::path& top : {root / "prepared", root / ".trunnion", root / "frames"}) {
    if (!fs::is_directory(top, code)) continue;
    remove_leftovers(top);
    for (fs::recursive_directory_iterator each(top, code), end; !code && each != end;
         each.increment(code)) {
      std::error_code ignored;
      if (each->is_directory(ignored)) remove_leftovers(each->path());
    }
  }
}

}  // namespace

double lease_seconds() {
  constexpr double kSeconds = 30;
  const char* const wanted = std::getenv("TRUNNION_LEASE_SECONDS");
  const double seconds = wanted == nullptr ? kSeconds : std::atof(wanted);
  return seconds >= 1 && seconds <= 3600 ? seconds : kSeconds;
}

WorkspaceLock::WorkspaceLock(const Workspace& workspace, std::string_view holder)
    : root_(workspace.root), state_(workspace.state()), seconds_(lease_seconds()) {
  std::error_code code;
  fs::create_directories(state_, code);
  Candidate candidate(state_, holder);
  Standing before = Standing::free;
  for (;;) {
    const std::uint64_t highest = highest_in(state_);
    const fs::path current = lease_file(state_, highest);
    if (highest > 0) before = standing_of(current, candidate);
    if (before == Standing::held) {
      throw data_error(fmt::format("{}: is in use by {}; wait for it or stop it.", root_.string(),
                                   holder_in(current).value_or(Holder{}).phrase()));
    }
    number_ = highest + 1;
    if (!candidate.put_at(lease_file(state_, number_))) continue;  // another was first
    // Who looked before a later one came and went was late: its number is below that one's.
    if (highest_in(state_) == number_) break;
    fs::remove(lease_file(state_, number_), code);
  }
  descriptor_ = candidate.release();
  for (const std::uint64_t number : numbers_in(state_)) {
    if (number < number_) fs::remove(lease_file(state_, number), code);
  }
  if (before == Standing::dead || before == Standing::expired) sweep(root_);
  if (before == Standing::expired) renew_journal(workspace.journal());
  fence_ = std::make_unique<WriteFence>(root_, std::to_string(number_), [this] { check(); });
  // Signals are for the thread that waits for them (interrupt.h).
  sigset_t all;
  sigset_t previous;
  sigfillset(&all);
  pthread_sigmask(SIG_SETMASK, &all, &previous);
  renewing_ = std::thread([this] { renew(); });
  pthread_sigmask(SIG_SETMASK, &previous, nullptr);
}

WorkspaceLock::~WorkspaceLock() {
  fence_.reset();
  {
    const std::scoped_lock lock(mutex_);
    ending_ = true;
  }
  wake_.notify_all();
  renewing_.join();
  // The file stays: numbers only grow.
  if (!lost_ && ::ftruncate(descriptor_, 0) == 0) {
    (void)!::pwrite(descriptor_, kGivenBack.data(), kGivenBack.size(), 0);
  }
  ::close(descriptor_);
}

void WorkspaceLock::check() const {
  struct stat status {};
  const bool gone = ::fstat(descriptor_, &status) != 0 || status.st_nlink == 0;
  std::error_code code;
  if (gone || fs::exists(lease_file(state_, number_ + 1), code)) lost_ = true;
  if (!lost_) return;
  throw output_error(
      fmt::format("{}: was taken over by another run, since this one had stopped for more than "
                  "{:g} s; this one "
                  "writes nothing more.",
                  root_.string(), seconds_));
}

void WorkspaceLock::renew() {
  std::unique_lock lock(mutex_);
  while (!wake_.wait_for(lock, std::chrono::duration<double>(seconds_ / kRenewals),
                         [this] { return ending_; })) {
    ::futimens(descriptor_, nullptr);
  }
}

std::optional<std::string> workspace_holder(const fs::path& workspace) {
  const fs::path state = workspace / ".trunnion";
  const std::uint64_t highest = highest_in(state);
  if (highest == 0) return std::nullopt;
  const std::optional<Holder> holder = holder_in(lease_file(state, highest));
  if (!holder || holder->given_back || holder->boot.empty()) return std::nullopt;
  const bool here = holder->boot == this_boot();
  if (here && !fs::exists("/proc/" + holder->process)) return std::nullopt;
  timespec now{};
  ::clock_gettime(CLOCK_REALTIME, &now);
  if (seconds_of(now) - holder->renewed > 2 * holder->seconds) return std::nullopt;
  return holder->phrase();
}

}  // namespace trunnion

// Preloaded into trunnion by tests/write_failures.sh: makes the Nth write below a folder fail, as a
// full disk does, whatever library makes it.
//   TRUNNION_FAIL_BELOW  folder whose files count
//   TRUNNION_FAIL_AT     number of the call that fails, from 1; 0: none
//   TRUNNION_FAIL_ON     "1": all later calls fail too, as on a disk that stays full
//   TRUNNION_FAIL_COUNT  file that the number of calls is written to at exit
//   TRUNNION_NO_HARD_LINKS  "1": link() fails as on the file systems of memory cards
#include <dlfcn.h>
#include <fcntl.h>
#include <sys/uio.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <cerrno>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <string>

namespace {

std::atomic<long> calls{0};

std::string variable(const char* name) {
  const char* value = std::getenv(name);
  return value == nullptr ? "" : value;
}

bool below(const char* path) {
  static const std::string folder = variable("TRUNNION_FAIL_BELOW");
  return !folder.empty() && path != nullptr && std::string(path).rfind(folder, 0) == 0;
}

bool below(int fd) {
  std::array<char, 4096> path{};
  const std::string link = "/proc/self/fd/" + std::to_string(fd);
  const int kept = errno;
  const ssize_t length = readlink(link.c_str(), path.data(), path.size() - 1);
  errno = kept;
  return length > 0 && below(path.data());
}

// Counts a call; true where it must fail.
bool fails() {
  static const long at = std::atol(variable("TRUNNION_FAIL_AT").c_str());
  static const bool later_too = variable("TRUNNION_FAIL_ON") == "1";
  const long number = ++calls;
  const bool fail = at > 0 && (number == at || (later_too && number > at));
  if (fail) errno = ENOSPC;
  return fail;
}

template <typename Function>
Function next(const char* name) {
  return reinterpret_cast<Function>(dlsym(RTLD_NEXT, name));
}

struct Report {
  ~Report() {
    const std::string file = variable("TRUNNION_FAIL_COUNT");
    if (file.empty()) return;
    std::FILE* out = std::fopen(file.c_str(), "w");
    if (out == nullptr) return;
    std::fprintf(out, "%ld\n", calls.load());
    std::fclose(out);
  }
} report;

}  // namespace

extern "C" {

// NOLINTBEGIN(readability-inconsistent-declaration-parameter-name): declared by the C library.
ssize_t write(int fd, const void* data, size_t size) {
  static const auto real = next<ssize_t (*)(int, const void*, size_t)>("write");
  return below(fd) && fails() ? -1 : real(fd, data, size);
}

ssize_t writev(int fd, const iovec* parts, int count) {
  static const auto real = next<ssize_t (*)(int, const iovec*, int)>("writev");
  return below(fd) && fails() ? -1 : real(fd, parts, count);
}

ssize_t pwrite(int fd, const void* data, size_t size, off_t at) {
  static const auto real = next<ssize_t (*)(int, const void*, size_t, off_t)>("pwrite");
  return below(fd) && fails() ? -1 : real(fd, data, size, at);
}

ssize_t pwrite64(int fd, const void* data, size_t size, off64_t at) {
  static const auto real = next<ssize_t (*)(int, const void*, size_t, off64_t)>("pwrite64");
  return below(fd) && fails() ? -1 : real(fd, data, size, at);
}

size_t fwrite(const void* data, size_t size, size_t count, std::FILE* file) {
  static const auto real = next<size_t (*)(const void*, size_t, size_t, std::FILE*)>("fwrite");
  return below(fileno(file)) && fails() ? 0 : real(data, size, count, file);
}

int fflush(std::FILE* file) {
  static const auto real = next<int (*)(std::FILE*)>("fflush");
  return file != nullptr && below(fileno(file)) && fails() ? EOF : real(file);
}

int fclose(std::FILE* file) {
  static const auto real = next<int (*)(std::FILE*)>("fclose");
  const bool fail = below(fileno(file)) && fails();
  const int result = real(file);
  if (fail) errno = ENOSPC;
  return fail ? EOF : result;
}

int fsync(int fd) {
  static const auto real = next<int (*)(int)>("fsync");
  return below(fd) && fails() ? -1 : real(fd);
}

int fdatasync(int fd) {
  static const auto real = next<int (*)(int)>("fdatasync");
  return below(fd) && fails() ? -1 : real(fd);
}

int ftruncate(int fd, off_t size) {
  static const auto real = next<int (*)(int, off_t)>("ftruncate");
  return below(fd) && fails() ? -1 : real(fd, size);
}

int ftruncate64(int fd, off64_t size) {
  static const auto real = next<int (*)(int, off64_t)>("ftruncate64");
  return below(fd) && fails() ? -1 : real(fd, size);
}

int mkdir(const char* path, mode_t mode) {
  static const auto real = next<int (*)(const char*, mode_t)>("mkdir");
  return below(path) && fails() ? -1 : real(path, mode);
}

int link(const char* from, const char* to) {
  static const auto real = next<int (*)(const char*, const char*)>("link");
  if (variable("TRUNNION_NO_HARD_LINKS").empty()) return real(from, to);
  errno = EPERM;
  return -1;
}

int rename(const char* from, const char* to) {
  static const auto real = next<int (*)(const char*, const char*)>("rename");
  return below(to) && fails() ? -1 : real(from, to);
}

int renameat2(int from_folder, const char* from, int to_folder, const char* to,
              unsigned int flags) {
  static const auto real =
      next<int (*)(int, const char*, int, const char*, unsigned int)>("renameat2");
  return below(to) && fails() ? -1 : real(from_folder, from, to_folder, to, flags);
}
// NOLINTEND(readability-inconsistent-declaration-parameter-name)

}  // extern "C"

#include "core/copy_file.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <linux/fs.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <vector>

#include "core/error.h"
#include "core/hash.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

class OpenFile {
 public:
  OpenFile(const fs::path& path, int flags) : fd_(::open(path.c_str(), flags | O_CLOEXEC, 0644)) {}
  OpenFile(const OpenFile&) = delete;
  OpenFile& operator=(const OpenFile&) = delete;
  ~OpenFile() {
    if (fd_ >= 0) ::close(fd_);
  }
  [[nodiscard]] int get() const { return fd_; }

 private:
  int fd_;
};

Error cannot_write(const fs::path& path, int code) {
  return output_error(
      fmt::format("{}: writing failed ({}); check space and permissions, then run "
                  "again.",
                  path.string(), std::strerror(code)));
}

Error cannot_read(const fs::path& path, int code) {
  return data_error(fmt::format("{}: reading failed ({}); check the card and its reader.",
                                path.string(), std::strerror(code)));
}

void copy_bytes(const OpenFile& in, const OpenFile& out, const fs::path& from, const fs::path& to) {
  std::vector<char> buffer(1U << 20U);
  for (;;) {
    const ssize_t got = ::read(in.get(), buffer.data(), buffer.size());
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) throw cannot_read(from, errno);
    if (got == 0) return;
    for (ssize_t done = 0; done < got;) {
      const ssize_t put =
          ::write(out.get(), buffer.data() + done, static_cast<std::size_t>(got - done));
      if (put < 0 && errno == EINTR) continue;
      if (put < 0) throw cannot_write(to, errno);
      done += put;
    }
  }
}

}  // namespace

CopiedFile copy_file_checked(const fs::path& from, const fs::path& to) {
  CopiedFile result;
  const OpenFile in(from, O_RDONLY);
  if (in.get() < 0) throw cannot_read(from, errno);
  struct stat info {};
  if (::fstat(in.get(), &info) != 0) throw cannot_read(from, errno);
  std::error_code ignored;
  fs::remove(to, ignored);  // a link there would lead the writing elsewhere
  {
    const OpenFile out(to, O_WRONLY | O_CREAT | O_EXCL);
    if (out.get() < 0) throw cannot_write(to, errno);
    result.reflink = ::ioctl(out.get(), FICLONE, in.get()) == 0;
    if (!result.reflink) copy_bytes(in, out, from, to);
    const std::array<timespec, 2> times{info.st_atim, info.st_mtim};
    if (::futimens(out.get(), times.data()) != 0) throw cannot_write(to, errno);
    if (::fsync(out.get()) != 0) throw cannot_write(to, errno);
    // So that the check reads the disk, not what is left in memory.
    static_cast<void>(::posix_fadvise(out.get(), 0, 0, POSIX_FADV_DONTNEED));
  }
  result.hash = hash_file(from);
  if (hash_file(to) != result.hash) {
    throw output_error(
        fmt::format("{}: the copy differs from {}; check disk and memory, then run "
                    "again.",
                    to.string(), from.string()));
  }
  return result;
}

}  // namespace trunnion

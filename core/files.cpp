#include "core/files.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <utility>

#include "core/error.h"
#include "core/hash.h"
#include "core/write_fence.h"

namespace trunnion {
namespace {

Error not_written(const fs::path& path, std::string_view doing, int code) {
  return output_error(
      fmt::format("{}: {} failed ({}); check space and permissions, then run again.", path.string(),
                  doing, std::strerror(code)));
}

Error not_read(const fs::path& path, std::string_view doing, int code) {
  return data_error(fmt::format("{}: {} failed ({}); check permissions and the disk.",
                                path.string(), doing, std::strerror(code)));
}

// Owns a descriptor; close() reports what the destructor must swallow.
class Descriptor {
 public:
  // `failure` makes the error of a file that can't be opened.
  Descriptor(const fs::path& path, int flags,
             Error (*failure)(const fs::path&, std::string_view, int) = not_written)
      : path_(path), fd_(::open(path.c_str(), flags | O_CLOEXEC, 0644)) {
    if (fd_ < 0) throw failure(path, "opening", errno);
  }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  [[nodiscard]] int get() const { return fd_; }
  void close() {
    if (::close(std::exchange(fd_, -1)) != 0) throw not_written(path_, "closing", errno);
  }

 private:
  fs::path path_;
  int fd_;
};

void write_all(const fs::path& path, std::string_view content) {
  Descriptor file(path, O_WRONLY | O_CREAT | O_TRUNC);
  while (!content.empty()) {
    const ssize_t written = ::write(file.get(), content.data(), content.size());
    if (written < 0) {
      if (errno == EINTR) continue;
      throw not_written(path, "writing", errno);
    }
    content.remove_prefix(static_cast<std::size_t>(written));
  }
  file.close();
}

// Swaps two folders in one step where the file system can; else the old one steps aside first, so
// that at any moment one whole folder exists.
void exchange(const fs::path& fresh, const fs::path& old) {
  if (::renameat2(AT_FDCWD, fresh.c_str(), AT_FDCWD, old.c_str(), RENAME_EXCHANGE) == 0) return;
  if (errno != EINVAL && errno != ENOSYS) {
    throw not_written(old, "replacing the older folder", errno);
  }
  const fs::path aside = fresh.string() + ".old";
  if (::rename(old.c_str(), aside.c_str()) != 0 || ::rename(fresh.c_str(), old.c_str()) != 0 ||
      ::rename(aside.c_str(), fresh.c_str()) != 0) {
    throw not_written(old, "replacing the older folder", errno);
  }
}

// A name that the prefix would make too long is replaced by its hash.
fs::path temporary_name(const fs::path& folder, const fs::path& name) {
  const std::string token = pass_fences(folder / name);
  const std::string prefix = std::string(kTemporaryPrefix) + (token.empty() ? token : token + ".");
  const bool fits = prefix.size() + name.string().size() <= kLongestName;
  return folder /
         (prefix + (fits ? name.string()
                         : hash_bytes(name.string()) + name.extension().string().substr(0, 16)));
}

}  // namespace

PendingFile::PendingFile(fs::path final_path) : final_(std::move(final_path)) {
  std::error_code code;
  const fs::path folder = final_.has_parent_path() ? final_.parent_path() : fs::path(".");
  fs::create_directories(folder, code);
  if (code) throw not_written(folder, "creating the folder", code.value());
  temporary_ = temporary_name(folder, final_.filename());
  // What stands there may be a link: writing through it would change another file.
  fs::remove(temporary_, code);
}

PendingFile::PendingFile(PendingFile&& other) noexcept
    : final_(std::move(other.final_)), temporary_(std::exchange(other.temporary_, {})) {}

PendingFile::~PendingFile() {
  if (temporary_.empty()) return;
  std::error_code ignored;
  fs::remove(temporary_, ignored);
}

void PendingFile::commit() {
  sync_file(temporary_);
  check_fence(final_);
  if (::rename(temporary_.c_str(), final_.c_str()) != 0) {
    throw not_written(final_, "renaming the finished file", errno);
  }
  temporary_.clear();
  sync_folder(final_.has_parent_path() ? final_.parent_path() : fs::path("."));
}

PendingFolder::PendingFolder(fs::path final_path) : final_(std::move(final_path)) {
  if (!final_.has_filename()) final_ = final_.parent_path();  // a trailing slash
  const fs::path parent = final_.has_parent_path() ? final_.parent_path() : fs::path(".");
  temporary_ = temporary_name(parent, final_.filename());
  std::error_code code;
  fs::remove_all(temporary_, code);  // of a killed run
  fs::create_directories(temporary_, code);
  if (code) throw not_written(temporary_, "creating the folder", code.value());
}

PendingFolder::~PendingFolder() {
  if (temporary_.empty()) return;
  std::error_code ignored;
  fs::remove_all(temporary_, ignored);
}

void PendingFolder::commit() {
  sync_folder(temporary_);
  check_fence(final_);
  std::error_code code;
  if (fs::exists(final_, code)) {
    if (!fs::is_directory(final_, code)) {
      throw data_error(fmt::format(
          "{}: this is a file, but a folder must be written here; move it away.", final_.string()));
    }
    exchange(temporary_, final_);
    fs::remove_all(temporary_, code);  // the older content; what can't be removed does no harm
  } else if (::rename(temporary_.c_str(), final_.c_str()) != 0) {
    throw not_written(final_, "renaming the finished folder", errno);
  }
  temporary_.clear();
  sync_folder(final_.has_parent_path() ? final_.parent_path() : fs::path("."));
}

void write_file(const fs::path& path, std::string_view content) {
  PendingFile file(path);
  write_all(file.temporary(), content);
  file.commit();
}

std::string read_file(const fs::path& path, std::uintmax_t limit_bytes) {
  std::error_code code;
  if (!fs::exists(path, code)) {
    throw data_error(fmt::format("{}: no such file; check the path.", path.string()));
  }
  if (!fs::is_regular_file(path, code)) {
    throw data_error(fmt::format("{}: not a regular file; give a file.", path.string()));
  }
  const std::uintmax_t size = fs::file_size(path, code);
  if (code) throw not_read(path, "reading the size", code.value());
  if (size > limit_bytes) {
    throw data_error(fmt::format("{}: {} bytes, but at most {} are read here; give a smaller file.",
                                 path.string(), size, limit_bytes));
  }
  const Descriptor file(path, O_RDONLY, not_read);
  std::string content(static_cast<std::size_t>(size), '\0');
  std::size_t filled = 0;
  while (filled < content.size()) {
    const ssize_t got = ::read(file.get(), content.data() + filled, content.size() - filled);
    if (got < 0) {
      if (errno == EINTR) continue;
      throw not_read(path, "reading", errno);
    }
    if (got == 0) break;
    filled += static_cast<std::size_t>(got);
  }
  content.resize(filled);
  return content;
}

bool holds_control_character(std::string_view name) {
  return std::any_of(name.begin(), name.end(),
                     [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7F; });
}

int remove_leftovers(const fs::path& folder) {
  std::error_code code;
  int removed = 0;
  for (const auto& entry : fs::directory_iterator(folder, code)) {
    if (entry.path().filename().string().starts_with(kTemporaryPrefix)) {
      if (fs::remove_all(entry.path(), code) > 0) ++removed;
    }
  }
  return removed;
}

void sync_file(const fs::path& path) {
  Descriptor file(path, O_RDONLY);
  if (::fsync(file.get()) != 0) throw not_written(path, "flushing to the disk", errno);
  file.close();
}

void sync_folder(const fs::path& folder) {
  const Descriptor file(folder, O_RDONLY | O_DIRECTORY);
  // Some file systems can't sync a folder; that loses nothing already renamed.
  if (::fsync(file.get()) != 0 && errno != EINVAL && errno != ENOTSUP) {
    throw not_written(folder, "flushing the folder", errno);
  }
}

}  // namespace trunnion

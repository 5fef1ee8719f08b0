// Writing files so that outputs appear complete or not at all and inputs are only read. All final
// files are written here; metadata is added in place to a PendingFile before it is committed.
//
// A PendingFile is written under a temporary name in the folder of its final name. commit() flushes
// it to the disk and renames it; a PendingFile that goes out of scope uncommitted is removed.
// Temporary names start with kTemporaryPrefix; remove_leftovers() clears those of a killed run.
//
// What can't be written throws an output error (core/error.h) that names the file and the cause.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <string_view>

namespace trunnion {

namespace fs = std::filesystem;

inline constexpr std::string_view kTemporaryPrefix = ".trunnion-part.";
inline constexpr std::size_t kLongestName = 255;  // bytes of a file's name on common file systems

class PendingFile {
 public:
  // Creates the folder of `final_path` where missing. The temporary name keeps the extension.
  explicit PendingFile(fs::path final_path);
  PendingFile(PendingFile&& other) noexcept;
  PendingFile& operator=(PendingFile&&) = delete;
  PendingFile(const PendingFile&) = delete;
  PendingFile& operator=(const PendingFile&) = delete;
  ~PendingFile();

  [[nodiscard]] const fs::path& temporary() const { return temporary_; }
  [[nodiscard]] const fs::path& final_path() const { return final_; }
  // fsync, rename, fsync of the folder.
  void commit();

 private:
  fs::path final_;
  fs::path temporary_;  // empty once committed or moved from
};

// A folder that appears whole or not at all: filled under a temporary name beside its place, then
// exchanged with what stood there in one step. One that goes out of scope uncommitted is removed.
class PendingFolder {
 public:
  explicit PendingFolder(fs::path final_path);
  PendingFolder(const PendingFolder&) = delete;
  PendingFolder& operator=(const PendingFolder&) = delete;
  ~PendingFolder();

  [[nodiscard]] const fs::path& temporary() const { return temporary_; }
  void commit();

 private:
  fs::path final_;
  fs::path temporary_;  // empty once committed
};

// Writes `content` to `path` through a PendingFile.
void write_file(const fs::path& path, std::string_view content);

// Whole content; throws a data error where the file is missing, unreadable or over the limit.
std::string read_file(const fs::path& path, std::uintmax_t limit_bytes = 64U << 20U);

// True where a control character stands in the name: XML, in which names are written, has no way
// to hold most of them, and a terminal obeys them.
bool holds_control_character(std::string_view name);

// Removes temporary files and folders of an interrupted run from `folder` (not its subfolders);
// returns how many.
int remove_leftovers(const fs::path& folder);

// Writes already made by somebody else (a codec): flush them to the disk.
void sync_file(const fs::path& path);
void sync_folder(const fs::path& folder);

}  // namespace trunnion

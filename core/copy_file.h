// A file copied so that the copy is known to be equal: as a reflink where the file system shares
// blocks between files (FICLONE, ioctl_ficlonerange(2)), else byte by byte. Never a hard link: what
// writes to the copy must not reach the original. Both are read again and compared by hash.
#pragma once

#include <filesystem>
#include <string>

namespace trunnion {

struct CopiedFile {
  bool reflink = false;
  std::string hash;  // core/hash.h
};

// Writes `to`, replacing what stands there, with the time stamp of `from`, and flushes it to the
// disk. `to` is a temporary name or lies in a folder that is not yet at its final place. Throws a
// data error where `from` can't be read, an output error where `to` can't be written or differs.
CopiedFile copy_file_checked(const std::filesystem::path& from, const std::filesystem::path& to);

}  // namespace trunnion

// Who may write where: a fence around a folder that this program shares with others.
#pragma once

#include <filesystem>
#include <functional>
#include <string>

namespace trunnion {

// While alive, what this program writes below `folder` is asked for first: `check` throws where the
// program may not write there any more, since another one took the folder over (workspace_lock.h).
// It is called when a file is begun and again immediately before it appears. Temporary names hold
// `token`, which no other program has, so that what the one before left half done has other names;
// once it is removed, it can't appear any more.
class WriteFence {
 public:
  WriteFence(const std::filesystem::path& folder, std::string token, std::function<void()> check);
  ~WriteFence();
  WriteFence(const WriteFence&) = delete;
  WriteFence& operator=(const WriteFence&) = delete;
};

// Throws where a fence around `path` does; to call before a change that is none of a PendingFile.
void check_fence(const std::filesystem::path& path);

// The same; returns the token of the innermost fence, empty where there is none.
std::string pass_fences(const std::filesystem::path& path);

}  // namespace trunnion

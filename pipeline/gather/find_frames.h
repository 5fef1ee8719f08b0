// The frames among the files and folders that the user names.
#pragma once

#include <filesystem>
#include <vector>

namespace trunnion {

struct FoundFrames {
  std::vector<std::filesystem::path> frames;  // absolute, sorted, each once
  int companions = 0;  // JPEGs beside a frame of the same name in another format
  int others = 0;      // files that are no images (sidecars, films, ...)
};

// Folders are searched with all below them; hidden files are left out. A file of a kind that others
// show to be frames counts even where it is damaged. Throws a usage error where a name leads
// nowhere, where no frame is found, or where one lies in the workspace's own frames/.
FoundFrames find_frames(const std::vector<std::filesystem::path>& inputs,
                        const std::filesystem::path& workspace);

}  // namespace trunnion

// WORKSPACE/frames/: the copies of frames, one folder a series. What gather put into a folder
// stands in its .gathered.csv (copy, source, bytes, time stamp of the source, hash), so that a
// repeat does only what is new and undo removes nothing else.
//
// A new folder is filled under a temporary name and renamed: it is there whole or not at all. A
// folder that changes gets its list first (old and new names), then each new frame whole, then what
// it no longer holds is removed, after every frame has its new place.
#pragma once

#include <filesystem>
#include <functional>
#include <map>
#include <string>
#include <vector>

#include "core/files.h"

namespace trunnion {

inline constexpr const char* kGatheredList = ".gathered.csv";

// A frame by its original.
struct FrameSource {
  fs::path file;  // the original, as it was when it was copied
  std::uintmax_t bytes = 0;
  std::int64_t modified_ns = 0;
  std::string hash;  // empty: not known yet

  // Of the same file, as far as name, size and time stamp say.
  [[nodiscard]] bool same_file(const FrameSource& other) const {
    return file.filename() == other.file.filename() && bytes == other.bytes &&
           modified_ns == other.modified_ns;
  }
};

// Copies in a folder: name of the copy and its original.
using FolderContent = std::map<std::string, FrameSource>;

// Folders below `frames` that gather made, by their path relative to it ("low_003", "aside/...").
std::map<std::string, FolderContent> read_store(const fs::path& frames);

struct StoreChange {
  std::string folder;  // relative to frames
  FolderContent wanted;
  // Where each wanted frame is read from: the original, or an earlier copy.
  std::map<std::string, fs::path> from;
};

struct StoreResult {
  int copied = 0;
  int reflinks = 0;                  // of them
  int kept = 0;                      // that were there already
  int removed = 0;                   // from places that are no longer theirs
  std::vector<std::string> altered;  // copies that somebody changed and that were left
};

// Makes the store hold what is wanted. `step` is called after each frame; may throw to stop.
StoreResult change_store(const fs::path& frames, const std::vector<StoreChange>& changes,
                         const std::function<void()>& step);

// Removes what gather made and nobody changed; returns what was removed and what was left.
StoreResult undo_store(const fs::path& frames);

// The list of an original's size and time stamp; bytes 0 where it is absent.
FrameSource source_of(const fs::path& file);

}  // namespace trunnion

// Boards in image files: expands file patterns, decodes a few images at a time and measures the
// corners in each.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "core/checkerboard.h"

namespace trunnion {

struct BoardFile {
  std::filesystem::path file;
  int width_px = 0;
  int height_px = 0;
  std::string hash;  // of the file's bytes
  BoardView view;
};

// "9x6" -> columns and rows. Throws a usage error.
BoardPattern parse_board(const std::string& text, double square_mm);

// Files named outright and those that match the patterns (*, ?, [...]), sorted, each once. Throws a
// usage error where a pattern matches nothing.
std::vector<std::filesystem::path> expand_files(const std::vector<std::string>& patterns);

// In the order of `files`. At most so many images are held at once that their pixels stay under
// about 60 million, and at most `jobs` (0: one a core).
std::vector<BoardFile> find_boards(const std::vector<std::filesystem::path>& files,
                                   const BoardPattern& pattern, int jobs,
                                   const BoardOptions& options = {});

}  // namespace trunnion

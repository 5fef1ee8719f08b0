// Which board was shot, as the command line gives it, and what the images say of that.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

#include "core/finding.h"
#include "pipeline/board_images.h"

namespace trunnion {

struct BoardChoice {
  std::string board = "9x6";
  std::string kind = "checkerboard";
  double square_mm = 0;
  double marker_mm = 0;
  std::string dictionary = "4x4";
};

// --board, --kind, --square, --marker and --dictionary.
void add_board_options(CLI::App& command, BoardChoice& choice);

// Throws a usage error that names the option.
BoardPattern pattern_of(const BoardChoice& choice);

// Compares the counts seen with the pattern's. Throws a data error with the count that most images
// show where that is larger than the pattern; a doubt where no image shows as many and most agree
// on a smaller one. Where no image shows a board of this kind, tries the other kinds on some images
// and throws a data error that names the kind found.
Findings check_counts(const std::vector<BoardFile>& boards, const BoardPattern& pattern);

}  // namespace trunnion

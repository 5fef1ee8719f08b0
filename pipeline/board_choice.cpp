#include "pipeline/board_choice.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <map>

#include "core/coded_board.h"
#include "core/error.h"
#include "core/image_io.h"

namespace trunnion {
namespace {

constexpr std::array<const char*, 4> kKinds{"checkerboard", "charuco", "circles",
                                            "staggered-circles"};

const char* kind_name(BoardKind kind) {
  return kKinds.at(static_cast<std::size_t>(kind));
}

using Count = std::pair<int, int>;  // along the longer and the shorter side

// The count that most of the images show, and how many do.
std::pair<Count, std::size_t> usual_count(const std::vector<BoardFile>& boards) {
  std::map<Count, std::size_t> votes;
  for (const BoardFile& board : boards) {
    if (board.view.seen_short > 0) ++votes[{board.view.seen_long, board.view.seen_short}];
  }
  std::pair<Count, std::size_t> best{};
  for (const auto& [count, number] : votes) {
    if (number >= best.second) best = {count, number};
  }
  return best;
}

// --board in the order in which the user gave the counts.
std::string as_given(const BoardPattern& pattern, const Count& count) {
  const bool upright = pattern.columns < pattern.rows && pattern.kind != BoardKind::staggered;
  return upright ? fmt::format("{}x{}", count.second, count.first)
                 : fmt::format("{}x{}", count.first, count.second);
}

const char* what_is_counted(const BoardPattern& pattern) {
  const bool circles = pattern.kind == BoardKind::circles || pattern.kind == BoardKind::staggered;
  return circles ? "circles" : "inner corners";
}

// Tries the other kinds in a few images.
void name_other_kind(const std::vector<BoardFile>& boards, const BoardPattern& pattern) {
  for (std::size_t i = 0; i < boards.size(); i += std::max<std::size_t>(1, boards.size() / 3)) {
    const cv::Mat image = read_image(boards[i].file);
    for (const BoardKind kind :
         {BoardKind::coded, BoardKind::staggered, BoardKind::circles, BoardKind::checkerboard}) {
      BoardPattern other = pattern;
      other.kind = kind;
      if (kind == pattern.kind || !find_board(image, other).found) continue;
      throw data_error(fmt::format(
          "{} shows a board of the kind {}, not {}; give --kind {} with its counts and sizes.",
          boards[i].file.string(), kind_name(kind), kind_name(pattern.kind), kind_name(kind)));
    }
  }
}

}  // namespace

void add_board_options(CLI::App& command, BoardChoice& choice) {
  command
      .add_option("--board", choice.board,
                  "COLUMNSxROWS: inner corners of the board, or circles of a row x rows")
      ->capture_default_str();
  command
      .add_option("--kind", choice.kind,
                  "Kind of board: charuco has a coded marker in each light square; in "
                  "staggered-circles every other row is shifted by half the distance in a row")
      ->check(CLI::IsMember({kKinds[0], kKinds[1], kKinds[2], kKinds[3]}))
      ->capture_default_str();
  command
      .add_option("--square", choice.square_mm,
                  "Side of a square, mm; circles: distance of neighbours; staggered-circles: "
                  "distance of two rows")
      ->check(CLI::Range(0.001, 1000.0));
  command
      .add_option("--marker", choice.marker_mm,
                  "charuco: side of a marker with its dark border, mm; default 0.6 squares")
      ->check(CLI::Range(0.0005, 1000.0));
  command
      .add_option("--dictionary", choice.dictionary,
                  "charuco: cells of a marker, as in the names of OpenCV's dictionaries")
      ->check(CLI::IsMember({"4x4", "5x5", "6x6", "7x7"}))
      ->capture_default_str();
}

BoardPattern pattern_of(const BoardChoice& choice) {
  if (!(choice.square_mm > 0)) {
    throw usage_error("--square is missing; give the side of a square in mm.");
  }
  BoardPattern pattern = parse_board(choice.board, choice.square_mm);
  const auto kind = std::find(kKinds.begin(), kKinds.end(), choice.kind);
  pattern.kind = static_cast<BoardKind>(kind - kKinds.begin());
  pattern.marker_mm = choice.marker_mm;
  pattern.marker_bits = choice.dictionary.front() - '0';
  if (pattern.kind == BoardKind::coded) {
    check_coded(pattern);
  } else if (choice.marker_mm > 0) {
    throw usage_error("--marker belongs to --kind charuco only; leave it out.");
  }
  return pattern;
}

Findings check_counts(const std::vector<BoardFile>& boards, const BoardPattern& pattern) {
  const auto [count, number] = usual_count(boards);
  const auto found = static_cast<std::size_t>(
      std::count_if(boards.begin(), boards.end(), [](const BoardFile& b) { return b.view.found; }));
  if (number == 0) {
    if (found == 0) name_other_kind(boards, pattern);
    return {};
  }
  const bool staggered = pattern.kind == BoardKind::staggered;
  const Count given = staggered ? Count(pattern.columns, pattern.rows)
                                : Count(std::max(pattern.columns, pattern.rows),
                                        std::min(pattern.columns, pattern.rows));
  const bool larger = count.first > given.first || count.second > given.second;
  if (larger && 2 * found < boards.size()) {
    throw data_error(fmt::format(
        "--board says {}x{}, but {} of {} images show a board of {} x {} {}; give --board {}.",
        pattern.columns, pattern.rows, number, boards.size(), count.first, count.second,
        what_is_counted(pattern), as_given(pattern, count)));
  }
  const bool any_whole = std::any_of(boards.begin(), boards.end(), [&](const BoardFile& b) {
    return b.view.seen_long >= given.first && b.view.seen_short >= given.second;
  });
  if (any_whole || larger || 2 * number < boards.size()) return {};
  return {{Severity::doubt, "boards", "",
           fmt::format("--board says {}x{}, but no image shows so many: {} of {} show {} x {} {}.",
                       pattern.columns, pattern.rows, number, boards.size(), count.first,
                       count.second, what_is_counted(pattern)),
           fmt::format("Count them; if the whole board is in the frame, give --board {}.",
                       as_given(pattern, count))}};
}

}  // namespace trunnion

// Where on the board a part of it can be: all numberings of a view that the pattern allows.
//
// A view numbers what it sees from (0, 0), columns turning clockwise into rows. The board's own
// numbering follows from that by quarter turns and a shift, which must keep every seen place on the
// board and dark squares (staggered: circles) on dark squares (circles). One board seen whole with
// one odd and one even count leaves one placement; both odd or both even leave two, a half turn
// apart; a part of a board leaves more.
#pragma once

#include <vector>

#include "core/checkerboard.h"

namespace trunnion {

// (column, row) of the view -> quarter turns, then the shift.
struct Placement {
  int quarter_turns = 0;  // 0 to 3: (c, r) -> (-r, c) each
  int columns = 0;
  int rows = 0;
  friend bool operator==(const Placement&, const Placement&) = default;

  [[nodiscard]] Eigen::Vector2i operator()(int column, int row) const;
  // Product: first `before`, then this one.
  [[nodiscard]] Placement operator*(const Placement& before) const;
  [[nodiscard]] Placement inverse() const;
};

// What a view knows of its part of the board.
struct BoardPart {
  int columns = 0;  // extent in lattice units
  int rows = 0;
  bool first_dark = true;
};

// `dark_first`: whether the board's own corner (0, 0) is followed by a dark square. Checkerboards
// whose counts are both odd or both even are sold either way; of the others it is true by
// definition.
std::vector<Placement> placements(const BoardPart& part, const BoardPattern& pattern,
                                  bool dark_first = true);

std::vector<BoardCorner> placed(std::vector<BoardCorner> corners, const Placement& placement);

}  // namespace trunnion

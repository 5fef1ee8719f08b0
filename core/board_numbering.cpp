#include "core/board_numbering.h"

#include <algorithm>

namespace trunnion {
namespace {

Eigen::Matrix2i turned(int quarter_turns) {
  Eigen::Matrix2i quarter;
  quarter << 0, -1, 1, 0;
  Eigen::Matrix2i result = Eigen::Matrix2i::Identity();
  for (int k = 0; k < quarter_turns; ++k) result = quarter * result;
  return result;
}

bool is_even(const Eigen::Vector2i& place) {
  return (place.x() + place.y()) % 2 == 0;
}

// The first corner of the square that follows corner (0, 0) of the view.
Eigen::Vector2i first_square(const Placement& placement) {
  const Eigen::Vector2i a = placement(0, 0);
  const Eigen::Vector2i b = placement(1, 1);
  return a.cwiseMin(b);
}

}  // namespace

Eigen::Vector2i Placement::operator()(int column, int row) const {
  return turned(quarter_turns) * Eigen::Vector2i(column, row) + Eigen::Vector2i(columns, rows);
}

Placement Placement::operator*(const Placement& before) const {
  const Eigen::Vector2i shift = (*this)(before.columns, before.rows);
  return {(quarter_turns + before.quarter_turns) % 4, shift.x(), shift.y()};
}

Placement Placement::inverse() const {
  const int back = (4 - quarter_turns) % 4;
  const Eigen::Vector2i shift = -(turned(back) * Eigen::Vector2i(columns, rows));
  return {back, shift.x(), shift.y()};
}

std::vector<Placement> placements(const BoardPart& part, const BoardPattern& pattern,
                                  bool dark_first) {
  std::vector<Placement> found;
  if (pattern.kind == BoardKind::coded) return {Placement{}};
  for (int k = 0; k < 4; ++k) {
    const Placement turn{k, 0, 0};
    const Eigen::Vector2i a = turn(0, 0);
    const Eigen::Vector2i b = turn(part.columns - 1, part.rows - 1);
    const Eigen::Vector2i low = a.cwiseMin(b);
    const Eigen::Vector2i high = a.cwiseMax(b);
    for (int row = -low.y(); row + high.y() < pattern.lattice_rows(); ++row) {
      for (int column = -low.x(); column + high.x() < pattern.lattice_columns(); ++column) {
        const Placement placement{k, column, row};
        const bool fits =
            pattern.kind == BoardKind::circles ||
            (pattern.kind == BoardKind::staggered
                 ? is_even(placement(0, 0)) == part.first_dark
                 : (is_even(first_square(placement)) == dark_first) == part.first_dark);
        if (fits) found.push_back(placement);
      }
    }
  }
  return found;
}

std::vector<BoardCorner> placed(std::vector<BoardCorner> corners, const Placement& placement) {
  for (BoardCorner& corner : corners) {
    const Eigen::Vector2i place = placement(corner.column, corner.row);
    corner.column = place.x();
    corner.row = place.y();
  }
  return corners;
}

}  // namespace trunnion

#include "core/board_numbering.h"

#include <gtest/gtest.h>

#include <random>

#include "core/board_outliers.h"

namespace trunnion {
namespace board_numbering_test {

TEST(BoardNumbering, WholeBoardsHaveAsManyNumberingsAsSymmetries) {
  const auto count = [](const BoardPattern& pattern) {
    return placements({pattern.lattice_columns(), pattern.lattice_rows(), true}, pattern).size();
  };
  EXPECT_EQ(count({9, 6, 1}), 1U);
  EXPECT_EQ(count({9, 7, 1}), 2U);
  EXPECT_EQ(count({8, 6, 1}), 2U);
  EXPECT_EQ(count({7, 7, 1}), 2U);  // a quarter turn exchanges the colours
  EXPECT_EQ(count({8, 8, 1}), 4U);
  EXPECT_EQ(count({9, 6, 1, BoardKind::circles}), 2U);
  EXPECT_EQ(count({7, 7, 1, BoardKind::circles}), 4U);
  EXPECT_EQ(count({4, 11, 1, BoardKind::staggered}), 1U);
  EXPECT_EQ(count({4, 10, 1, BoardKind::staggered}), 2U);
  EXPECT_EQ(count({9, 6, 1, BoardKind::coded}), 1U);
}

TEST(BoardNumbering, PlacementsKeepColoursAndStayOnTheBoard) {
  const BoardPattern pattern{9, 6, 1};
  for (const bool dark : {true, false}) {
    const auto found = placements({5, 4, dark}, pattern);
    // 5 x 3 upright places and 6 x 2 turned ones, twice each, half of them of the colour.
    EXPECT_EQ(found.size(), 27U) << dark;
    for (const Placement& p : found) {
      const Eigen::Vector2i a = p(0, 0);
      const Eigen::Vector2i b = p(4, 3);
      EXPECT_GE(a.minCoeff(), 0);
      EXPECT_GE(b.minCoeff(), 0);
      EXPECT_LT(std::max(a.x(), b.x()), 9);
      EXPECT_LT(std::max(a.y(), b.y()), 6);
      const Eigen::Vector2i square = a.cwiseMin(p(1, 1));
      EXPECT_EQ((square.x() + square.y()) % 2 == 0, dark);
    }
  }
  EXPECT_TRUE(placements({10, 6, true}, pattern).empty());
}

TEST(BoardNumbering, ProductAndInverse) {
  const Placement a{1, 3, -2};
  const Placement b{2, 5, 7};
  EXPECT_EQ((a * b)(4, 9), a(b(4, 9).x(), b(4, 9).y()));
  EXPECT_EQ(a * a.inverse(), Placement{});
  EXPECT_EQ(b.inverse() * b, Placement{});
}

std::vector<BoardCorner> seen_corners(double noise_px) {
  std::mt19937 random(4);
  std::normal_distribution<double> normal;
  std::vector<BoardCorner> corners;
  for (int row = 0; row < 6; ++row) {
    for (int column = 0; column < 9; ++column) {
      // Perspective and a distortion of some pixels.
      const double w = 1.0 + 0.01 * column - 0.008 * row;
      Eigen::Vector2d p((60.0 * column + 8.0 * row) / w, (55.0 * row - 5.0 * column) / w);
      const Eigen::Vector2d d = p - Eigen::Vector2d(220, 130);
      p += d * (1e-7 * d.squaredNorm());
      corners.push_back(
          {column, row, p + noise_px * Eigen::Vector2d(normal(random), normal(random))});
    }
  }
  return corners;
}

TEST(BoardOutliers, SoundCornersStayAndWildOnesGoWhereverTheyAre) {
  EXPECT_EQ(without_outliers(seen_corners(0.1), 60).size(), 54U);
  for (std::size_t wild = 0; wild < 54; ++wild) {
    std::vector<BoardCorner> corners = seen_corners(0.1);
    corners[wild].position_px += Eigen::Vector2d(3.0, -2.0);
    const auto kept = without_outliers(corners, 60);
    EXPECT_EQ(kept.size(), 53U) << wild;
    for (const BoardCorner& corner : kept) {
      EXPECT_FALSE(corner.column == corners[wild].column && corner.row == corners[wild].row)
          << wild;
    }
  }
}

// As at the edge of the frame: 9 px off, all to one side.
TEST(BoardOutliers, AnOuterColumnThatIsOffGoes) {
  std::vector<BoardCorner> corners = seen_corners(0.1);
  std::size_t moved = 0;
  for (BoardCorner& corner : corners) {
    if (corner.column != 8 || corner.row > 3) continue;
    corner.position_px.x() -= 9.0;
    ++moved;
  }
  // All of them go; of the sound ones beside them a few may.
  const auto kept = without_outliers(corners, 60);
  EXPECT_GE(kept.size(), 54U - moved - 4U);
  for (const BoardCorner& corner : kept) EXPECT_FALSE(corner.column == 8 && corner.row <= 3);
}

}  // namespace board_numbering_test
}  // namespace trunnion

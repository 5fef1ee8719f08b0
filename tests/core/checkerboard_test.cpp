#include "core/checkerboard.h"

#include <gtest/gtest.h>

#include <cmath>
#include <map>
#include <numbers>
#include <opencv2/imgproc.hpp>

#include "core/board_numbering.h"
#include "core/error.h"
#include "tests/support/board_image.h"

namespace trunnion {
namespace checkerboard_test {

using test::BoardScene;

BoardScene scene_of(double square_px, double roll, double tilt,
                    const Eigen::Vector2d& offset_px = Eigen::Vector2d::Zero()) {
  BoardScene scene;
  scene.image_from_board = test::look_at_board(scene, square_px, roll, tilt, offset_px);
  return scene;
}

// Root mean square distance of the found corners from the true ones under the same numbering.
double corner_error(const BoardView& view, const BoardScene& scene) {
  double sum = 0;
  for (const BoardCorner& corner : view.corners) {
    sum += (corner.position_px - test::true_corner(scene, corner.column, corner.row)).squaredNorm();
  }
  return std::sqrt(sum / static_cast<double>(view.corners.size()));
}

TEST(Checkerboard, MeasuresCornersToAFewHundredthsOfAPixel) {
  const BoardScene scene = scene_of(60, 0.1, 0.4);
  const BoardView view = find_board(test::draw_board(scene), scene.pattern);
  ASSERT_TRUE(view.found) << view.reason;
  EXPECT_TRUE(view.complete);
  EXPECT_EQ(view.corners.size(), 54U);
  EXPECT_LT(corner_error(view, scene), 0.03);
}

// The drawn board's first square is dark, as the numbering promises: whatever the roll, the same
// physical corner keeps its number.
TEST(Checkerboard, NumbersTheSameCornersAtEveryRoll) {
  for (const double roll : {0.0, 1.2, 1.6, 2.5, 3.1, 4.0, 4.8, 5.9}) {
    const BoardScene scene = scene_of(45, roll, 0.2);
    const BoardView view = find_board(test::draw_board(scene), scene.pattern);
    ASSERT_TRUE(view.found) << roll;
    EXPECT_TRUE(view.oriented);
    EXPECT_LT(corner_error(view, scene), 0.05) << roll;
  }
}

TEST(Checkerboard, ReadsSixteenBitLowContrastInUnevenLight) {
  BoardScene scene = scene_of(55, 0.3, 0.3);
  scene.bits = 16;
  scene.dark = 0.10;
  scene.light = 0.15;
  scene.shading = 0.7;
  scene.noise = 0.0005;
  const BoardView view = find_board(test::draw_board(scene), scene.pattern);
  ASSERT_TRUE(view.found) << view.reason;
  EXPECT_EQ(view.corners.size(), 54U);
  EXPECT_LT(corner_error(view, scene), 0.04);
}

TEST(Checkerboard, UsesThePartThatIsInFrame) {
  const BoardScene scene = scene_of(100, 0.05, 0.2, {250, 60});
  const BoardView view = find_board(test::draw_board(scene), scene.pattern);
  ASSERT_TRUE(view.found) << view.reason;
  EXPECT_FALSE(view.complete);
  EXPECT_FALSE(view.oriented);
  EXPECT_GE(view.corners.size(), 24U);
  // The numbering may start anywhere: every found corner must lie on a true one.
  for (const BoardCorner& corner : view.corners) {
    double nearest = 1e9;
    for (int row = 0; row < 6; ++row) {
      for (int column = 0; column < 9; ++column) {
        nearest =
            std::min(nearest, (corner.position_px - test::true_corner(scene, column, row)).norm());
      }
    }
    EXPECT_LT(nearest, 0.1);
  }
}

// Strongly tilted and cut off: the lattice runs along the squares, neither along their diagonals
// nor over a row left out. Without a check of the edges between corners it did both.
TEST(Checkerboard, PartsOfTiltedBoardsKeepTheirLattice) {
  for (const double tilt : {-0.95, -0.7, 0.25, 0.5, 0.75, 0.95}) {
    BoardScene scene;
    scene.pattern = {11, 8, 1.0};
    scene.image_from_board = test::look_at_board(scene, 75, 0.03, tilt, {220, 40});
    const BoardView view = find_board(test::draw_board(scene), scene.pattern);
    ASSERT_TRUE(view.found) << tilt << ": " << view.reason;
    const BoardPart part{view.columns, view.rows, view.first_dark};
    const auto possible =
        view.oriented ? std::vector<Placement>{Placement{}} : placements(part, scene.pattern);
    double least = 1e9;
    for (const Placement& placement : possible) {
      BoardView tried = view;
      tried.corners = placed(view.corners, placement);
      least = std::min(least, corner_error(tried, scene));
    }
    EXPECT_LT(least, 0.2) << tilt;
    EXPECT_GE(view.corners.size(), 30U) << tilt;
  }
}

TEST(Checkerboard, ReducedSearchKeepsFullPrecision) {
  BoardScene scene;
  scene.size = {2600, 2000};
  scene.image_from_board = test::look_at_board(scene, 220, 0.2, 0.3);
  scene.blur_px = 2.0;
  const BoardView view =
      find_board(test::draw_board(scene), scene.pattern, {.search_side_px = 800});
  ASSERT_TRUE(view.found) << view.reason;
  EXPECT_LT(corner_error(view, scene), 0.05);
}

TEST(Checkerboard, SlowABoardOfAnotherSizeIsNamed) {
  const BoardScene scene = scene_of(50, 0.0, 0.1);
  const BoardView view =
      find_board(test::draw_board(scene), {.columns = 6, .rows = 4, .square_mm = 1});
  EXPECT_FALSE(view.complete && view.found) << "a 6 x 4 board is not there";
  EXPECT_FALSE(view.found);
  EXPECT_NE(view.reason.find("inner corners, not the 6 x 4 given"), std::string::npos)
      << view.reason;
}

TEST(Checkerboard, NothingIsFoundWhereNothingIs) {
  cv::Mat noise(500, 700, CV_8U);
  cv::RNG(3).fill(noise, cv::RNG::UNIFORM, 0, 255);
  const BoardView view = find_board(noise, {});
  EXPECT_FALSE(view.found);
  EXPECT_FALSE(view.reason.empty());
  EXPECT_THROW(find_board(cv::Mat(10, 10, CV_32F), {}), Error);
  EXPECT_THROW(find_board(noise, {.columns = 2, .rows = 6, .square_mm = 1}), Error);
}

}  // namespace checkerboard_test
}  // namespace trunnion

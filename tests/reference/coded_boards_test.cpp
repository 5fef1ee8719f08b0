// Coded boards and circle grids against the reference library: OpenCV 4.6's aruco module
// (CharucoBoard, interpolateCornersCharuco) and findCirclesGrid.
#include <gtest/gtest.h>

#include <opencv2/aruco/charuco.hpp>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

#include "core/checkerboard.h"
#include "core/coded_board.h"

namespace trunnion {
namespace coded_boards_test {

cv::Mat tilting(const cv::Mat& flat) {
  const cv::Point2f from[4] = {{0, 0},
                               {static_cast<float>(flat.cols), 0},
                               {static_cast<float>(flat.cols), static_cast<float>(flat.rows)},
                               {0, static_cast<float>(flat.rows)}};
  const cv::Point2f to[4] = {{90, 70}, {1190, 130}, {1130, 860}, {150, 790}};
  return cv::getPerspectiveTransform(from, to);
}

cv::Mat tilted(const cv::Mat& flat, cv::Size size) {
  // Softened first: warpPerspective samples points, which would make steps of the edges.
  cv::Mat soft;
  cv::GaussianBlur(flat, soft, {}, 2.0);
  cv::Mat image;
  cv::warpPerspective(soft, image, tilting(flat), size, cv::INTER_CUBIC, cv::BORDER_CONSTANT,
                      cv::Scalar(255));
  cv::GaussianBlur(image, image, {}, 1.2);
  return image;
}

class CodedBoards : public testing::TestWithParam<int> {};

// Every dictionary: the library draws, trunnion reads, and the library's corners are the same.
TEST_P(CodedBoards, AreReadAsTheReferenceLibraryReadsThem) {
  const int bits = GetParam();
  const BoardPattern pattern{9, 6, 10.0, BoardKind::coded, 6.0, bits};
  const auto dictionary =
      cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_50 + 4 * (bits - 4));
  const auto board = cv::aruco::CharucoBoard::create(10, 7, 10.0F, 6.0F, dictionary);
  cv::Mat flat;
  board->draw({1800, 1260}, flat, 0, 1);
  const cv::Mat image = tilted(flat, {1280, 960});
  const BoardView view = find_board(image, pattern);
  ASSERT_TRUE(view.found) << view.reason;
  EXPECT_TRUE(view.complete);
  EXPECT_TRUE(view.oriented);

  std::vector<std::vector<cv::Point2f>> markers;
  std::vector<int> ids;
  cv::aruco::detectMarkers(image, dictionary, markers, ids);
  std::vector<cv::Point2f> corners;
  std::vector<int> corner_ids;
  ASSERT_EQ(cv::aruco::interpolateCornersCharuco(markers, ids, image, board, corners, corner_ids),
            54);
  // Where the drawing's corners come to lie: squares of 180 px, edges half a pixel before centres.
  std::vector<cv::Point2f> drawn;
  for (int row = 0; row < 6; ++row) {
    for (int column = 0; column < 9; ++column) {
      drawn.emplace_back(180.0F * static_cast<float>(column + 1) - 0.5F,
                         180.0F * static_cast<float>(row + 1) - 0.5F);
    }
  }
  std::vector<cv::Point2f> truth;
  cv::perspectiveTransform(drawn, truth, tilting(flat));
  double ours = 0;
  cv::Point2f shift;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const auto id = static_cast<std::size_t>(corner_ids[i]);
    const BoardCorner& corner = view.corners[id];
    ASSERT_EQ(corner.row * 9 + corner.column, corner_ids[i]);
    ours += (corner.position_px - Eigen::Vector2d(truth[id].x, truth[id].y)).squaredNorm();
    shift += (corners[i] - truth[id]) * (1.0F / 54.0F);
  }
  EXPECT_LT(std::sqrt(ours / 54.0), 0.1);
  // The library's corners lie half a pixel off, all alike: found here against the drawing.
  double theirs = 0;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const cv::Point2f d = corners[i] - truth[static_cast<std::size_t>(corner_ids[i])] - shift;
    theirs += d.dot(d);
  }
  RecordProperty("library_shift_px", std::to_string(cv::norm(shift)));
  std::printf("library: shift (%.3f, %.3f) px, RMS about it %.3f px; ours RMS %.3f px\n",
              static_cast<double>(shift.x), static_cast<double>(shift.y), std::sqrt(theirs / 54.0),
              std::sqrt(ours / 54.0));
  EXPECT_LT(std::sqrt(theirs / 54.0), 0.15);
  EXPECT_LT(cv::norm(shift), 0.8);
}

INSTANTIATE_TEST_SUITE_P(Dictionaries, CodedBoards, testing::Values(4, 5, 6, 7));

// Ten corners anywhere on the board are enough; what is wrong is said.
TEST(CodedBoardParts, TenCornersAreEnoughAndAWrongBoardIsNamed) {
  const auto dictionary = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_50);
  const auto board = cv::aruco::CharucoBoard::create(10, 7, 10.0F, 6.0F, dictionary);
  cv::Mat flat;
  board->draw({1800, 1260}, flat, 0, 1);
  const cv::Mat image = tilted(flat, {1280, 960});
  const BoardPattern pattern{9, 6, 10.0, BoardKind::coded};
  const BoardView whole = find_board(image, pattern);
  // A window that shows a dozen of the corners, the rest white.
  cv::Mat part(image.size(), CV_8U, cv::Scalar(255));
  const cv::Rect window(600, 380, 520, 420);
  image(window).copyTo(part(window));
  const BoardView some = find_board(part, pattern);
  ASSERT_TRUE(some.found) << some.reason;
  EXPECT_FALSE(some.complete);
  EXPECT_GE(some.corners.size(), 10U);
  EXPECT_LT(some.corners.size(), 30U);
  for (const BoardCorner& corner : some.corners) {
    const auto at = static_cast<std::size_t>(corner.row * 9 + corner.column);
    EXPECT_LT((corner.position_px - whole.corners[at].position_px).norm(), 0.3);
  }
  BoardPattern wrong = pattern;
  wrong.columns = 11;
  const BoardView refused = find_board(image, wrong);
  EXPECT_FALSE(refused.found);
  EXPECT_NE(refused.reason.find("9 columns of inner corners"), std::string::npos) << refused.reason;
  wrong = pattern;
  wrong.marker_bits = 6;
  EXPECT_FALSE(find_board(image, wrong).found);
}

class CircleGrids : public testing::TestWithParam<BoardKind> {};

TEST_P(CircleGrids, CentresAreThoseOfTheReferenceLibrary) {
  const bool staggered = GetParam() == BoardKind::staggered;
  const BoardPattern pattern{staggered ? 4 : 9, staggered ? 11 : 6, 10.0, GetParam()};
  cv::Mat flat(1260, 1800, CV_8U, cv::Scalar(255));
  const double step = staggered ? 100.0 : 170.0;
  std::vector<cv::Point2f> truth;
  for (int row = 0; row < pattern.lattice_rows(); ++row) {
    for (int column = 0; column < pattern.lattice_columns(); ++column) {
      if (staggered && (column + row) % 2 != 0) continue;
      const cv::Point centre(cvRound((column + 1.5) * step), cvRound((row + 1) * step));
      cv::circle(flat, centre, 40, cv::Scalar(20), cv::FILLED, cv::LINE_AA);
    }
  }
  const cv::Mat image = tilted(flat, {1280, 960});
  std::vector<cv::Point2f> theirs;
  ASSERT_TRUE(
      cv::findCirclesGrid(image, {pattern.columns, pattern.rows}, theirs,
                          staggered ? cv::CALIB_CB_ASYMMETRIC_GRID : cv::CALIB_CB_SYMMETRIC_GRID));
  const BoardView view = find_board(image, pattern);
  ASSERT_TRUE(view.found) << view.reason;
  ASSERT_EQ(view.corners.size(), theirs.size());
  EXPECT_EQ(view.oriented, staggered);
  // The library's blobs are good to some tenths of a pixel, and it may number from the other end.
  for (const BoardCorner& corner : view.corners) {
    double nearest = 1e9;
    for (const cv::Point2f& p : theirs) {
      nearest = std::min(nearest, (corner.position_px - Eigen::Vector2d(p.x, p.y)).norm());
    }
    EXPECT_LT(nearest, 0.5);
  }
  // Another count is refused with the one that is seen.
  BoardPattern wrong = pattern;
  wrong.columns -= 1;
  const BoardView refused = find_board(image, wrong);
  EXPECT_FALSE(refused.found);
  EXPECT_EQ(refused.seen_long, std::max(pattern.columns, staggered ? 0 : pattern.rows));
}

INSTANTIATE_TEST_SUITE_P(Kinds, CircleGrids,
                         testing::Values(BoardKind::circles, BoardKind::staggered));

}  // namespace coded_boards_test
}  // namespace trunnion

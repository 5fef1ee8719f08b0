// Chessboard photographs of Debian's package opencv-doc, against the reference library's own
// detector: OpenCV 4.6 findChessboardCorners.
#include <gtest/gtest.h>

#include <fmt/format.h>

#include <opencv2/calib3d.hpp>

#include "core/checkerboard.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace checkerboard_photographs_test {

TEST(CheckerboardPhotographs, EveryBoardTheReferenceLibraryFindsIsFound) {
  const auto folder = test::opencv_samples();
  if (!folder) GTEST_SKIP() << "SKIPPED: Debian's package opencv-doc is not installed";
  int theirs = 0;
  for (const char* side : {"left", "right"}) {
    for (int i = 1; i <= 14; ++i) {
      const auto file = *folder / fmt::format("{}{:02}.jpg", side, i);
      if (i == 10) continue;  // not part of the set
      const cv::Mat image = read_image(file);
      std::vector<cv::Point2f> corners;
      const bool reference = cv::findChessboardCorners(image, {9, 6}, corners);
      theirs += reference ? 1 : 0;
      const BoardView view = find_board(image, {});
      EXPECT_TRUE(view.found || !reference) << file << ": " << view.reason;
      EXPECT_TRUE(view.complete || !reference) << file;
      EXPECT_TRUE(!view.complete || view.corners.size() == 54U)
          << file << ": " << view.corners.size();
    }
  }
  EXPECT_GE(theirs, 24);  // else the reference itself saw little and proves little
}

}  // namespace checkerboard_photographs_test
}  // namespace trunnion

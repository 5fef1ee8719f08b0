#include "stages/mask/outline_tiles.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>
#include <utility>
#include <vector>

namespace trunnion::mask {
namespace outline_tiles_test {

// Whether anything within `rim` px of the pixel differs from it, within the image.
bool near_outline(const cv::Mat& binary_mask, int x, int y, int rim) {
  const cv::Rect around =
      cv::Rect(x - rim, y - rim, 2 * rim + 1, 2 * rim + 1) & cv::Rect({0, 0}, binary_mask.size());
  const int set = cv::countNonZero(binary_mask(around));
  return set > 0 && set < around.area();
}

TEST(OutlineTiles, CoverEveryPixelNearTheOutlineOnce) {
  constexpr int kRim = 9;
  for (const cv::Size size : {cv::Size(1, 1), cv::Size(128, 128), cv::Size(129, 257),
                              cv::Size(391, 300), cv::Size(500, 40)}) {
    const cv::Rect whole({0, 0}, size);
    // Discs: inside, over a corner, over the far edges; single pixels in the last corner.
    for (const auto& [at, radius] :
         std::vector<std::pair<cv::Point, int>>{{{size.width / 2, size.height / 2}, 90},
                                                {{0, 0}, 60},
                                                {{size.width - 1, size.height / 3}, 30},
                                                {{size.width - 1, size.height - 1}, 0},
                                                {{size.width / 2, size.height / 2}, 2000}}) {
      SCOPED_TRACE(
          cv::format("%d x %d, disc of %d at %d, %d", size.width, size.height, radius, at.x, at.y));
      cv::Mat binary_mask = cv::Mat::zeros(size, CV_8U);
      cv::circle(binary_mask, at, radius, cv::Scalar(255), cv::FILLED);
      const cv::Rect set = cv::boundingRect(binary_mask);
      const cv::Rect box(set.x - 3, set.y - 3, set.width + 6, set.height + 6);
      for (const cv::Rect& looked : {box & whole, whole}) {
        cv::Mat times = cv::Mat::zeros(size, CV_8U);
        cv::Rect last;
        for (const OutlineTile& tile : outline_tiles(binary_mask, looked, kRim)) {
          EXPECT_EQ(tile.core & looked, tile.core);
          EXPECT_EQ(tile.outer, cv::Rect(tile.core.x - kRim, tile.core.y - kRim,
                                         tile.core.width + 2 * kRim, tile.core.height + 2 * kRim) &
                                    whole);
          EXPECT_TRUE(last.empty() || tile.core.y > last.y ||
                      (tile.core.y == last.y && tile.core.x > last.x))
              << "row by row";
          last = tile.core;
          times(tile.core) += 1;
        }
        for (int y = looked.y; y < looked.br().y; ++y) {
          for (int x = looked.x; x < looked.br().x; ++x) {
            const int here = times.at<uchar>(y, x);
            ASSERT_LE(here, 1);
            ASSERT_TRUE(here == 1 || !near_outline(binary_mask, x, y, kRim)) << x << ' ' << y;
          }
        }
      }
    }
  }
}

TEST(OutlineTiles, LeaveOutWhatIsFarFromTheOutline) {
  cv::Mat binary_mask = cv::Mat::zeros(1000, 1000, CV_8U);
  EXPECT_TRUE(outline_tiles(binary_mask, {0, 0, 1000, 1000}, 9).empty());
  binary_mask(cv::Rect(100, 100, 800, 800)).setTo(255);
  int looked = 0;
  for (const OutlineTile& tile : outline_tiles(binary_mask, {0, 0, 1000, 1000}, 9)) {
    looked += tile.core.area();
  }
  EXPECT_LT(looked, 600 * 1000) << "neither the middle nor nothing";
  EXPECT_GT(looked, 4 * 800);
  binary_mask.setTo(255);
  EXPECT_TRUE(outline_tiles(binary_mask, {0, 0, 1000, 1000}, 9).empty());
}

}  // namespace outline_tiles_test
}  // namespace trunnion::mask

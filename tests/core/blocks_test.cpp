#include "core/blocks.h"

#include <gtest/gtest.h>

#include <algorithm>

namespace trunnion {
namespace blocks_test {

struct Layout {
  int type;
  cv::Size size;
  int side;
};

// Sides that divide the size and sides that don't, one pixel over and one short of a block.
std::vector<Layout> layouts() {
  std::vector<Layout> all;
  for (const int type : {CV_8UC1, CV_8UC3, CV_8UC4, CV_16UC1, CV_16UC3, CV_16UC4}) {
    for (const cv::Size size :
         {cv::Size(1, 1), cv::Size(24, 16), cv::Size(25, 17), cv::Size(23, 15), cv::Size(5, 40)}) {
      for (const int side : {1, 2, 7, 8, 64}) all.push_back({type, size, side});
    }
  }
  return all;
}

double value_at(const cv::Mat& image, int y, int x, int c) {
  const int from = x * image.channels() + (image.channels() == 1 ? 0 : c);
  return image.depth() == CV_8U ? image.ptr<uchar>(y)[from] : image.ptr<ushort>(y)[from];
}

TEST(Blocks, AreWhatTheirPixelsSay) {
  cv::RNG random(3);
  for (const auto& [type, size, side] : layouts()) {
    SCOPED_TRACE(cv::format("type %d, %d x %d, side %d", type, size.width, size.height, side));
    cv::Mat image(size, type);
    random.fill(image, cv::RNG::UNIFORM, 0, CV_MAT_DEPTH(type) == CV_8U ? 256 : 65536);
    const BlockValues values = block_values(image, side);
    const cv::Mat means = block_means(image, side);
    ASSERT_EQ(values.mean.size(),
              cv::Size((size.width + side - 1) / side, (size.height + side - 1) / side));
    ASSERT_EQ(means.size(), values.mean.size());
    // Both ways to the same sums.
    EXPECT_EQ(cv::norm(means, values.mean, cv::NORM_INF), 0.0);
    for (int j = 0; j < means.rows; ++j) {
      for (int i = 0; i < means.cols; ++i) {
        for (int c = 0; c < 3; ++c) {
          double sum = 0;
          double least = 1e9;
          double most = -1;
          int count = 0;
          for (int y = j * side; y < std::min(size.height, (j + 1) * side); ++y) {
            for (int x = i * side; x < std::min(size.width, (i + 1) * side); ++x, ++count) {
              const double value = value_at(image, y, x, c);
              sum += value;
              least = std::min(least, value);
              most = std::max(most, value);
            }
          }
          ASSERT_FLOAT_EQ(values.mean.at<cv::Vec3f>(j, i)[c], static_cast<float>(sum / count));
          ASSERT_EQ(values.least.at<cv::Vec3f>(j, i)[c], least);
          ASSERT_EQ(values.most.at<cv::Vec3f>(j, i)[c], most);
        }
      }
    }
  }
}

// The largest sums there are: 64 x 64 pixels at full scale.
TEST(Blocks, HoldTheLargestSums) {
  const cv::Mat image(64, 128, CV_16UC3, cv::Scalar::all(65535));
  EXPECT_EQ(cv::norm(block_means(image, 64), cv::Mat(1, 2, CV_32FC3, cv::Scalar::all(65535)),
                     cv::NORM_INF),
            0.0);
}

TEST(Blocks, HoldAnythingOfAMaskWhereASinglePixelIsSet) {
  for (const int side : {1, 2, 7, 8}) {
    for (const cv::Size size : {cv::Size(1, 1), cv::Size(24, 16), cv::Size(25, 17)}) {
      for (const cv::Point at : {cv::Point(0, 0), cv::Point(size.width - 1, size.height - 1),
                                 cv::Point(size.width / 2, size.height - 1)}) {
        cv::Mat mask = cv::Mat::zeros(size, CV_8U);
        mask.at<uchar>(at) = 255;
        const cv::Mat any = any_in_blocks(mask, side);
        EXPECT_EQ(any.size(), block_means(mask, side).size());
        EXPECT_EQ(cv::countNonZero(any), 1);
        EXPECT_EQ(any.at<uchar>(at / side), 255);
      }
    }
  }
}

}  // namespace blocks_test
}  // namespace trunnion

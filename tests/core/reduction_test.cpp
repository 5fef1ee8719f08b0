#include "core/reduction.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace reduction_test {

// OpenCV's conversion and area averaging say the same.
TEST(Reduction, BlocksAreMeansOfTheLibrarysGrey) {
  for (const int type : {CV_8UC1, CV_8UC3, CV_8UC4, CV_16UC1, CV_16UC3, CV_16UC4}) {
    cv::Mat image(61, 83, type);
    cv::RNG(4).fill(image, cv::RNG::UNIFORM, 0, CV_MAT_DEPTH(type) == CV_16U ? 65536 : 256);
    cv::Mat grey;
    image.convertTo(grey, CV_32F, CV_MAT_DEPTH(type) == CV_16U ? 1.0 / 65535 : 1.0 / 255);
    if (image.channels() == 3) cv::cvtColor(grey, grey, cv::COLOR_BGR2GRAY);
    if (image.channels() == 4) cv::cvtColor(grey, grey, cv::COLOR_BGRA2GRAY);
    for (const int scale : {1, 2, 8}) {
      const cv::Size size(83 / scale, 61 / scale);
      cv::Mat expected;
      cv::resize(grey(cv::Rect({0, 0}, size * scale)), expected, size, 0, 0, cv::INTER_AREA);
      const cv::Mat found = block_brightness(image, scale);
      ASSERT_EQ(found.size(), size);
      EXPECT_LT(cv::norm(found, expected, cv::NORM_INF), 2e-6) << type << " " << scale;
    }
  }
}

TEST(Reduction, HalvedInsideNeedsAllFourPixels) {
  cv::Mat inside(5, 6, CV_8U, cv::Scalar(255));
  inside.at<uchar>(1, 2) = 0;
  const cv::Mat half = halved_inside(inside);
  ASSERT_EQ(half.size(), cv::Size(3, 2));
  EXPECT_EQ(half.at<uchar>(0, 1), 0);
  EXPECT_EQ(cv::countNonZero(half), 5);
}

// OpenCV's area averaging from the full size says the same of what a picture shows: structure that
// is not finer than the blocks.
TEST(Reduction, ForAPictureNothingMoves) {
  for (const int type : {CV_8UC1, CV_8UC3, CV_16UC3, CV_16UC4}) {
    const double full = CV_MAT_DEPTH(type) == CV_16U ? 65535 : 255;
    cv::Mat image(240, 360, type);
    cv::RNG(5).fill(image, cv::RNG::UNIFORM, 0, full + 1);
    cv::GaussianBlur(image, image, {}, 10);
    cv::normalize(image, image, 0, full, cv::NORM_MINMAX);
    const cv::Size wanted(30, 20);
    const cv::Mat reduced = reduced_towards(image, wanted);
    EXPECT_EQ(reduced.size(), cv::Size(60, 40));  // by 6, which leaves twice the size wanted
    EXPECT_EQ(reduced.type(), type);
    cv::Mat expected;
    cv::Mat found;
    cv::resize(image, expected, wanted, 0, 0, cv::INTER_AREA);
    cv::resize(reduced, found, wanted, 0, 0, cv::INTER_AREA);
    EXPECT_LE(cv::norm(found, expected, cv::NORM_INF), 0.01 * full) << type;
  }
  const cv::Mat odd(241, 365, CV_16UC3, cv::Scalar(7, 8, 65535));
  const cv::Mat reduced = reduced_towards(odd, {60, 40});
  EXPECT_EQ(reduced.size(), cv::Size(122, 81));
  EXPECT_EQ(cv::norm(reduced, cv::Mat(81, 122, CV_16UC3, cv::Scalar(7, 8, 65535)), cv::NORM_INF),
            0);
  EXPECT_EQ(reduced_towards(odd, {200, 130}).data, odd.data);
}

}  // namespace reduction_test
}  // namespace trunnion

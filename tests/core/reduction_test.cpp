#include "core/reduction.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

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

// OpenCV's area averaging from the full size says the same, to the rounding of the first step.
TEST(Reduction, ForAPictureNothingMovesAndNothingIsLost) {
  for (const int type : {CV_8UC1, CV_8UC3, CV_16UC3, CV_16UC4}) {
    cv::Mat image(240, 360, type);
    cv::RNG(5).fill(image, cv::RNG::UNIFORM, 0, CV_MAT_DEPTH(type) == CV_16U ? 65536 : 256);
    const cv::Size wanted(30, 20);
    const cv::Mat reduced = reduced_towards(image, wanted);
    EXPECT_EQ(reduced.size(), cv::Size(72, 48));  // by 5, which leaves twice the size wanted
    EXPECT_EQ(reduced.type(), type);
    cv::Mat expected;
    cv::Mat found;
    cv::resize(image, expected, wanted, 0, 0, cv::INTER_AREA);
    cv::resize(reduced, found, wanted, 0, 0, cv::INTER_AREA);
    EXPECT_LE(cv::norm(found, expected, cv::NORM_INF), 1) << type;
  }
  const cv::Mat prime(241, 361, CV_8U, cv::Scalar(7));
  EXPECT_EQ(reduced_towards(prime, {30, 20}).size(), prime.size());
}

}  // namespace
}  // namespace trunnion

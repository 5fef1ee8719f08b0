#include "core/box_mean.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace box_mean_test {

// Against OpenCV's box filter.
TEST(BoxMean, IsTheLibrarys) {
  cv::Mat image(23, 61, CV_32FC1);
  cv::RNG(5).fill(image, cv::RNG::UNIFORM, -3.0, 5.0);
  for (const int side : {1, 3, 5, 9}) {
    for (const int border : {cv::BORDER_REFLECT_101, cv::BORDER_CONSTANT}) {
      cv::Mat expected;
      cv::blur(image, expected, {side, side}, cv::Point(-1, -1), border);
      cv::Mat found;
      box_mean(image, found, side, border);
      ASSERT_EQ(found.size(), image.size());
      EXPECT_LT(cv::norm(found, expected, cv::NORM_INF), 2e-6) << side << " " << border;
    }
  }
}

TEST(BoxMean, TakesAPartOfAnImageAndOneNarrowerThanTheWindow) {
  cv::Mat image(40, 50, CV_32FC1);
  cv::RNG(6).fill(image, cv::RNG::UNIFORM, 0.0, 1.0);
  for (const cv::Rect& part : {cv::Rect(7, 9, 20, 13), cv::Rect(0, 0, 3, 40)}) {
    cv::Mat expected;
    cv::blur(image(part).clone(), expected, {5, 5});
    cv::Mat found;
    box_mean(image(part), found, 5, cv::BORDER_REFLECT_101);
    EXPECT_LT(cv::norm(found, expected, cv::NORM_INF), 1e-6);
  }
}

}  // namespace box_mean_test
}  // namespace trunnion

#include "stages/refine/features.h"

#include <gtest/gtest.h>

#include <cmath>

namespace trunnion::refine {
namespace features_test {

// Gaussian blobs at places known to a fraction of a pixel: the mean error of the positions found.
cv::Point2d mean_shift(double width_px, int level_divisor) {
  cv::Mat image(480, 640, CV_32F, cv::Scalar(60));
  std::vector<cv::Point2d> places;
  for (int row = 0; row < 5; ++row) {
    for (int column = 0; column < 7; ++column) {
      const cv::Point2d place(60 + 80 * column + 0.37 * row, 60 + 85 * row + 0.21 * column);
      places.push_back(place);
      for (int y = 0; y < image.rows; ++y) {
        for (int x = 0; x < image.cols; ++x) {
          const double d2 = std::pow(x - place.x, 2) + std::pow(y - place.y, 2);
          if (d2 > 36 * width_px * width_px) continue;
          image.at<float>(y, x) +=
              static_cast<float>(120 * std::exp(-d2 / (2 * width_px * width_px)));
        }
      }
    }
  }
  cv::Mat grey;
  image.convertTo(grey, CV_8U);
  RefineSettings settings;
  settings.level_megapixels = 640.0 * 480.0 / 1e6 / (level_divisor * level_divisor);
  const ImageFeatures features = extract_features(grey, {}, settings);
  cv::Point2d sum;
  int count = 0;
  for (const Feature& feature : features.points) {
    for (const cv::Point2d& place : places) {
      const cv::Point2d error(feature.x_px - place.x, feature.y_px - place.y);
      if (cv::norm(error) > 2.0) continue;
      sum += error;
      ++count;
    }
  }
  EXPECT_GE(count, 10);
  return sum / std::max(1, count);
}

// A constant shift of all features would move the rotation axis by as much.
TEST(RefineFeatures, AreWhereTheBlobsAre) {
  for (const double width : {2.0, 4.0}) {
    for (const int divisor : {1, 2}) {
      const cv::Point2d shift = mean_shift(width, divisor);
      EXPECT_NEAR(shift.x, 0.0, 0.03) << width << " px, level 1/" << divisor;
      EXPECT_NEAR(shift.y, 0.0, 0.03) << width << " px, level 1/" << divisor;
    }
  }
}

}  // namespace features_test
}  // namespace trunnion::refine

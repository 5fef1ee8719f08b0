// Patches laid over pictures whose map is known, since it made them: closed-form texture (a sum of
// waves), sampled exactly, so that no interpolation stands between truth and measurement.
#include "stages/refine/affine_patch.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <random>

namespace trunnion::refine {
namespace affine_patch_test {

constexpr int kSide = 120;

double light_at(double x, double y) {
  return 120.0 + 30.0 * std::sin(0.31 * x + 0.12 * y) + 25.0 * std::cos(0.17 * x - 0.36 * y) +
         20.0 * std::sin(0.22 * x + 0.29 * y + 1.0);
}

// Of the texture through `back` (from this picture's pixels to the texture's), all specimen.
cv::Mat picture(const cv::Matx23d& back, double gain, double noise, unsigned seed) {
  cv::Mat level(kSide, kSide, CV_8U);
  std::mt19937 random(seed);
  std::normal_distribution<double> normal(0.0, std::max(1e-9, noise));
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) {
      const cv::Vec2d at = back * cv::Vec3d(x, y, 1);
      const double light = (light_at(at[0], at[1]) + 5.0) * gain - 5.0 + normal(random);
      level.at<std::uint8_t>(y, x) =
          static_cast<std::uint8_t>(std::clamp(std::lround(light), 0L, 255L) | 1L);
    }
  }
  return level;
}

const cv::Matx23d kSame(1, 0, 0, 0, 1, 0);
const cv::Point2d kPoint(60.3, 57.8);

// x' = A x + b from the texture to the other picture: foreshortened, sheared, moved.
const cv::Matx23d kThere(0.87, 0.04, 6.4, -0.03, 0.97, 3.1);

cv::Matx23d inverse(const cv::Matx23d& map) {
  cv::Mat result;
  cv::invertAffineTransform(cv::Mat(map), result);
  return result;
}

cv::Point2d through(const cv::Matx23d& map, const cv::Point2d& at) {
  const cv::Vec2d to = map * cv::Vec3d(at.x, at.y, 1);
  return {to[0], to[1]};
}

TEST(AffinePatch, FindsItsPlaceThroughAKnownMapWhateverTheGain) {
  const AffinePatch patch(picture(kSame, 1.0, 0.0, 1), kPoint, 12);
  ASSERT_TRUE(patch.usable());
  const cv::Point2d truth = through(kThere, kPoint);
  for (const double gain : {1.0, 0.6}) {
    const auto fit =
        patch.find(picture(inverse(kThere), gain, 0.0, 2), truth + cv::Point2d(0.9, -0.7), 40);
    ASSERT_TRUE(fit.has_value());
    EXPECT_LT(cv::norm(fit->at - truth), 0.02) << "gain " << gain;
    EXPECT_GT(fit->correlation, 0.99);
  }
}

TEST(AffinePatch, WhatIsBesideTheSpecimenDoesNotCount) {
  const AffinePatch patch(picture(kSame, 1.0, 0.0, 1), kPoint, 12);
  const cv::Point2d truth = through(kThere, kPoint);
  cv::Mat other = picture(inverse(kThere), 1.0, 0.0, 2);
  // A backdrop of another picture over a third of the patch.
  other.rowRange(0, static_cast<int>(truth.y) - 3).setTo(200);
  const auto fit = patch.find(other, truth + cv::Point2d(0.5, 0.5), 40);
  ASSERT_TRUE(fit.has_value());
  EXPECT_LT(cv::norm(fit->at - truth), 0.05);
  other.setTo(200);
  EXPECT_FALSE(patch.find(other, truth, 40).has_value());
}

TEST(AffinePatch, ScatterIsAboutWhatTheNoiseAllows) {
  const AffinePatch patch(picture(kSame, 1.0, 0.0, 1), kPoint, 12);
  const cv::Point2d truth = through(kThere, kPoint);
  // Bound of the variance of a shift: noise^2 over the sum of squared derivatives (here of the
  // other picture, whose noise is 2 levels), widened by what the other parameters take (at most 2).
  const cv::Matx23d back = inverse(kThere);
  double squares = 0;
  for (int y = -12; y <= 12; ++y) {
    for (int x = -12; x <= 12; ++x) {
      const cv::Point2d at = kPoint + cv::Point2d(x, y);
      const double dx = light_at(at.x + 0.5, at.y) - light_at(at.x - 0.5, at.y);
      squares += dx * dx;
    }
  }
  const double bound = 2.0 / std::sqrt(squares);
  double errors = 0;
  constexpr int kTimes = 60;
  for (unsigned k = 0; k < kTimes; ++k) {
    const auto fit = patch.find(picture(back, 1.0, 2.0, 10 + k), truth, 40);
    ASSERT_TRUE(fit.has_value());
    errors += std::pow(fit->at.x - truth.x, 2);
  }
  const double scatter = std::sqrt(errors / kTimes);
  EXPECT_LT(scatter, 2.0 * bound);
  EXPECT_GT(scatter, 0.3 * bound);  // else there was no noise to see
}

TEST(AffinePatch, AnotherSurfaceDoesNotFitAndNoSurfaceIsRefused) {
  const AffinePatch patch(picture(kSame, 1.0, 0.0, 1), kPoint, 12);
  const cv::Matx23d elsewhere(0.2, 1.3, 300, -1.2, 0.4, 500);
  const auto fit = patch.find(picture(elsewhere, 1.0, 0.0, 2), kPoint, 40);
  EXPECT_TRUE(!fit || fit->correlation < 0.8);
  EXPECT_FALSE(AffinePatch(cv::Mat(kSide, kSide, CV_8U, 101), kPoint, 12).usable());
  EXPECT_FALSE(AffinePatch(picture(kSame, 1.0, 0.0, 1), {5.0, 60.0}, 12).usable());
}

}  // namespace affine_patch_test
}  // namespace trunnion::refine

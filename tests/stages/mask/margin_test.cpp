// The margin against geometry: what a disc, a square and a hair are once grown or shrunk by r.
#include "stages/mask/margin.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "stages/mask/mask.h"
#include "tests/support/even_survey.h"

namespace trunnion::mask {
namespace margin_test {

constexpr int kSide = 200;
constexpr double kMiddle = 99.3;  // on no pixel's centre or edge

// Share of each pixel within `radius` of the middle, from 16 x 16 samples.
cv::Mat disc(double radius) {
  cv::Mat coverage(kSide, kSide, CV_8U);
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) {
      int inside = 0;
      for (int k = 0; k < 256; ++k) {
        const double u = x - 0.5 + (k % 16 + 0.5) / 16;
        const double v = y - 0.5 + (k / 16 + 0.5) / 16;
        inside += std::hypot(u - kMiddle, v - kMiddle) <= radius ? 1 : 0;
      }
      coverage.at<uchar>(y, x) = cv::saturate_cast<uchar>(255.0 * inside / 256.0);
    }
  }
  return coverage;
}

double area(const cv::Mat& coverage) {
  return cv::sum(coverage)[0] / 255.0;
}

// Length that is covered of the ray at `angle`, bilinear between pixels.
double radius_at(const cv::Mat& coverage, double angle) {
  const auto value = [&](double r) {
    const double x = kMiddle + r * std::cos(angle);
    const double y = kMiddle + r * std::sin(angle);
    const int i = static_cast<int>(x);
    const int j = static_cast<int>(y);
    const double fx = x - i;
    const double fy = y - j;
    const auto at = [&](int v, int u) { return static_cast<double>(coverage.at<uchar>(v, u)); };
    return (1 - fy) * ((1 - fx) * at(j, i) + fx * at(j, i + 1)) +
           fy * ((1 - fx) * at(j + 1, i) + fx * at(j + 1, i + 1));
  };
  constexpr double kStep = 0.05;
  double length = 0;
  for (double r = 0.5 * kStep; r < 98; r += kStep) length += kStep * value(r) / 255.0;
  return length;
}

TEST(MaskMargin, MovesADiscsRadiusByExactlyTheMargin) {
  constexpr double kRadius = 40.0;
  const cv::Mat before = disc(kRadius);
  ASSERT_NEAR(area(before), kPi * kRadius * kRadius, 2.0);
  for (const double margin : {-25.5, -10.0, -3.0, -0.4, 0.4, 1.0, 3.0, 7.25, 10.0, 40.0}) {
    const cv::Mat after = with_margin(before, margin);
    const double radius = kRadius + margin;
    double worst = 0;
    for (int k = 0; k < 360; ++k) {
      worst = std::max(worst, std::abs(radius_at(after, radians(k)) - radius));
    }
    EXPECT_LE(worst, std::abs(margin) < 3 ? 0.25 : 0.12) << margin;  // as the header says
    EXPECT_NEAR(std::sqrt(area(after) / kPi), radius, 0.05) << margin;
  }
}

// J. Steiner's formula (1840): a convex set of area A and perimeter P grown by r has the area
// A + P r + pi r^2.
TEST(MaskMargin, GrowsASquareBySteinersFormula) {
  cv::Mat square = cv::Mat::zeros(kSide, kSide, CV_8U);
  square(cv::Rect(70, 60, 50, 30)).setTo(255);
  for (const double margin : {1.0, 2.5, 10.0, 33.0}) {
    const cv::Mat after = with_margin(square, margin);
    const double expected = 50.0 * 30.0 + 160.0 * margin + kPi * margin * margin;
    EXPECT_NEAR(area(after) / expected, 1.0, 0.005) << margin;
    // The rows and columns through the middle: exact.
    EXPECT_NEAR(area(after.row(75)), 50.0 + 2.0 * margin, 0.02) << margin;
    EXPECT_NEAR(area(after.col(95)), 30.0 + 2.0 * margin, 0.02) << margin;
  }
  const cv::Mat shrunk = with_margin(square, -4.0);
  EXPECT_NEAR(area(shrunk), 42.0 * 22.0, 1e-9);
}

TEST(MaskMargin, InMillimetresIsTheSameLengthOnTheSpecimen) {
  MaskSettings settings;
  settings.margin_mm = 0.05;
  EXPECT_DOUBLE_EQ(margin_px(settings, 0.004), 12.5);
  settings.margin_px = -2.5;
  EXPECT_DOUBLE_EQ(margin_px(settings, 0.004), 10.0);
  settings.margin_mm = -0.05;
  EXPECT_DOUBLE_EQ(margin_px(settings, 0.004), -15.0);

  // Through the mask stage: a square of 60 px on an even backdrop, its own outline the measure.
  const cv::Scalar grey = cv::Scalar::all(20'000);
  cv::Mat image = test::even_image({200, 200}, grey);
  image(cv::Rect(70, 70, 60, 60)).setTo(cv::Scalar(9'000, 9'000, 40'000));
  const SurveyResult survey = test::even_survey(image.size(), 1, grey);
  MaskSettings grow;
  grow.margin_mm = 0.05;
  const MaskResult mask = make_mask(image, survey, grow, 0.004);
  EXPECT_EQ(cv::countNonZero(mask.coverage != with_margin(mask.outline, 12.5)), 0);
  EXPECT_NEAR(area(mask.coverage.row(100)) - area(mask.outline.row(100)), 25.0, 0.05);
}

TEST(MaskMargin, LeavesWhatTouchesTheFrameThereAndKeepsWhatIsFaint) {
  cv::Mat outline = cv::Mat::zeros(100, 120, CV_8U);
  outline(cv::Rect(0, 40, 50, 20)).setTo(255);
  outline(cv::Rect(90, 10, 1, 30)).setTo(60);  // a hair that nowhere reaches one half
  const cv::Mat shrunk = with_margin(outline, -5);
  EXPECT_EQ(shrunk.at<uchar>(50, 0), 255) << "the frame is no outline";
  EXPECT_EQ(cv::countNonZero(shrunk.row(50) > 127), 45);
  const cv::Mat grown = with_margin(outline, 5);
  EXPECT_EQ(cv::countNonZero(grown < outline), 0);
  EXPECT_EQ(grown.at<uchar>(20, 90), 60);
  EXPECT_EQ(with_margin(outline, 0).data, outline.data);
  EXPECT_EQ(cv::countNonZero(with_margin(cv::Mat::zeros(9, 9, CV_8U), 3)), 0);
}

// 100 mm at 1 um a pixel: with a structuring element some 10^10 pixels for each of the image.
TEST(MaskMargin, OfAnySizeEndsAndIsSaidToLeaveNothingWhereItDoes) {
  const cv::Mat before = disc(40);
  EXPECT_EQ(cv::countNonZero(with_margin(before, 100'000) < 255), 0);
  EXPECT_EQ(cv::countNonZero(with_margin(before, -100'000)), 0);
  const cv::Scalar grey = cv::Scalar::all(20'000);
  cv::Mat image = test::even_image({200, 200}, grey);
  image(cv::Rect(70, 70, 60, 60)).setTo(cv::Scalar(9'000, 9'000, 40'000));
  MaskSettings shrink;
  shrink.margin_px = -31;
  const MaskResult mask = make_mask(image, test::even_survey(image.size(), 1, grey), shrink, 0);
  ASSERT_EQ(mask.findings.size(), 1U);
  EXPECT_EQ(mask.findings[0].severity, Severity::doubt);
  EXPECT_NE(mask.findings[0].what.find("-31.0 px leaves nothing"), std::string::npos);
}

}  // namespace margin_test
}  // namespace trunnion::mask

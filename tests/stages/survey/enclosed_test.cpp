#include "stages/survey/enclosed.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "stages/survey/survey.h"

namespace trunnion::survey {
namespace enclosed_test {

constexpr int kWidth = 320;
constexpr int kHeight = 240;
const cv::Point kAxis{160, 120};
constexpr int kRadius = 45;

// A grey backdrop with a gradient.
cv::Mat backdrop() {
  cv::Mat image(kHeight, kWidth, CV_32FC3);
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      image.at<cv::Vec3f>(y, x) = cv::Vec3f::all(static_cast<float>(20000 + 15 * x + 10 * y));
    }
  }
  return image;
}

void draw_disc(cv::Mat& image, const cv::Point& at, int radius, const cv::Scalar& colour) {
  cv::circle(image, at, radius, colour, cv::FILLED, cv::LINE_AA);
}

cv::Mat still_but(const cv::Rect& moving) {
  cv::Mat still(kHeight, kWidth, CV_8U, cv::Scalar(255));
  still(moving).setTo(0);
  return still;
}

TEST(EnclosedParts, ABodyThatStandsStillIsNoBackdrop) {
  cv::Mat value = backdrop();
  draw_disc(value, kAxis, kRadius, {40000, 42000, 44000});
  const cv::Rect knob(150, 60, 20, 16);
  const cv::Mat found = enclosed_parts(value, still_but(knob)).specimen;
  cv::Mat drawn = cv::Mat::zeros(found.size(), CV_8U);
  draw_disc(drawn, kAxis, kRadius - 2, 255);
  drawn(knob).setTo(0);
  EXPECT_EQ(cv::countNonZero(drawn & ~found), 0);
  cv::Mat around = cv::Mat::zeros(found.size(), CV_8U);
  draw_disc(around, kAxis, kRadius + 12, 255);
  EXPECT_EQ(cv::countNonZero(found & ~around), 0);
}

// A body is lit from above: somewhere its limb is as bright as the backdrop, and no step parts
// them.
TEST(EnclosedParts, AlsoWhereItsShadingPassesThroughTheBackdrop) {
  cv::Mat value = backdrop();
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      if (std::hypot(x - kAxis.x, y - kAxis.y) > kRadius) continue;
      value.at<cv::Vec3f>(y, x) += cv::Vec3f::all(static_cast<float>(400 * (kAxis.y + 15 - y)));
    }
  }
  const cv::Mat found = enclosed_parts(value, still_but({150, 60, 20, 16})).specimen;
  EXPECT_EQ(found.at<uchar>(kAxis.y - 20, kAxis.x + 20), 255);
}

TEST(EnclosedParts, AlsoWhereNothingMovesAtAll) {
  cv::Mat value = backdrop();
  draw_disc(value, kAxis, kRadius, {9000, 9000, 9000});
  EXPECT_EQ(enclosed_parts(value, still_but({})).specimen.at<uchar>(kAxis), 255);
}

TEST(EnclosedParts, AThinMountDoesNotJoinTheBodyToTheFrame) {
  cv::Mat value = backdrop();
  draw_disc(value, kAxis, kRadius, {40000, 42000, 44000});
  value(cv::Rect(kAxis.x - 2, kAxis.y, 5, kHeight - kAxis.y))
      .setTo(cv::Scalar(40000, 42000, 44000));
  EXPECT_EQ(enclosed_parts(value, still_but({})).specimen.at<uchar>(kAxis), 255);
}

TEST(EnclosedParts, AStageThatCrossesTheFrameIsBackdrop) {
  cv::Mat value = backdrop();
  value.rowRange(170, kHeight).setTo(cv::Scalar(9000, 9000, 9000));
  const cv::Mat found = enclosed_parts(value, still_but({120, 80, 80, 90})).specimen;
  EXPECT_EQ(cv::countNonZero(found), 0);
}

TEST(EnclosedParts, ALabelBesideTheSpecimenIsBackdrop) {
  cv::Mat value = backdrop();
  value(cv::Rect(20, 20, 40, 30)).setTo(cv::Scalar(50000, 50000, 50000));
  const cv::Mat found = enclosed_parts(value, still_but({120, 80, 80, 90})).specimen;
  EXPECT_EQ(cv::countNonZero(found), 0);
}

TEST(EnclosedParts, AFaintBodyIsADoubt) {
  cv::Mat value = backdrop();
  cv::Mat body = value * 1.12;
  cv::Mat on = cv::Mat::zeros(value.size(), CV_8U);
  draw_disc(on, kAxis, kRadius, 255);
  body.copyTo(value, on);
  const EnclosedParts parts = enclosed_parts(value, still_but({150, 60, 20, 16}));
  EXPECT_EQ(cv::countNonZero(parts.specimen), 0);
  EXPECT_TRUE(parts.doubtful.contains(kAxis));
}

// Whole surveys: a smooth body on the axis with a knob that turns.
TEST(EnclosedParts, TheSurveyContinuesTheBackdropBehindThem) {
  const auto read = [](std::size_t station) {
    cv::Mat image = backdrop();
    draw_disc(image, kAxis, kRadius, {40000, 42000, 44000});
    const double turn = 6.283 * static_cast<double>(station) / 8.0;
    draw_disc(image, {kAxis.x + static_cast<int>(30 * std::cos(turn)), kAxis.y - kRadius}, 8,
              {6000, 7000, 9000});
    cv::Mat noise(image.size(), CV_32FC3);
    cv::RNG random(7 + station);
    random.fill(noise, cv::RNG::NORMAL, 0, 150);
    cv::Mat result;
    cv::Mat(image + noise).convertTo(result, CV_16U);
    return result;
  };
  const SurveyResult result =
      survey(survey_stations({8}, {}), read, std::nullopt, BackdropKind::automatic, {});
  const cv::Vec3f behind = result.backdrop.at<cv::Vec3f>(kAxis);
  const cv::Vec3f truth = backdrop().at<cv::Vec3f>(kAxis);
  for (int c = 0; c < 3; ++c) EXPECT_NEAR(behind[c], truth[c], 0.02 * truth[c]);
  EXPECT_EQ(result.occupied.at<uchar>(kAxis), 255);
}

}  // namespace enclosed_test
}  // namespace trunnion::survey

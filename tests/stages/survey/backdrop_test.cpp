#include "stages/survey/backdrop.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

namespace trunnion::survey {
namespace backdrop_test {

using Pixel16 = cv::Vec<std::uint16_t, 3>;

constexpr int kWidth = 300;
constexpr int kHeight = 240;
constexpr int kStations = 12;
constexpr double kNoise = 140;  // 1 sigma, of 65535, whatever the level

// A dark backdrop, a little uneven.
double true_level(int x, int y) {
  return 2400.0 + 1.2 * (x - kWidth / 2) - 0.8 * (y - kHeight / 2);
}

struct Stack {
  std::vector<SurveyFrame> frames;
  cv::Mat clear_at = cv::Mat::zeros(kHeight, kWidth, CV_32S);  // stations that saw past the body
};

// A bright, patterned upright body whose half width sways from station to station. Dark furrows
// pass every place at some stations. Those that end before its rim are a third darker than the
// backdrop, 5 to 6 sigmas of a channel; those that reach it 11 sigmas, still within a just
// noticeable difference.
Stack swaying_body() {
  Stack stack;
  for (int k = 0; k < kStations; ++k) {
    const double half = 40.0 + 14.0 * std::cos(2.0 * CV_PI * k / kStations);
    cv::RNG random(static_cast<std::uint64_t>(100 + k));
    cv::Mat pattern(kHeight, kWidth, CV_32FC1);
    random.fill(pattern, cv::RNG::NORMAL, 20000, 20000);
    cv::GaussianBlur(pattern, pattern, {}, 1.5);
    cv::Mat value(kHeight, kWidth, CV_32FC3);
    for (int y = 0; y < kHeight; ++y) {
      const bool beside = y < 50 || y >= 190;
      for (int x = 0; x < kWidth; ++x) {
        const double behind = true_level(x, y);
        const double bright = static_cast<double>(pattern.at<float>(y, x));
        const double inside = half - std::abs(x - kWidth / 2.0) + 0.5;
        const int row = (y + 40 * 5 * k / kStations) % 40;
        const double dark = row < 6 ? (inside > 4.0 ? 0.67 * behind : bright) : 0.35 * behind;
        const bool furrow = row < 6 || (row >= 20 && row < 26);
        const double body = furrow ? dark : bright;
        const double share = beside ? 0.0 : std::clamp(inside, 0.0, 1.0);
        const double level = share * body + (1.0 - share) * behind;
        value.at<cv::Vec3f>(y, x) = cv::Vec3f::all(static_cast<float>(level));
        stack.clear_at.at<int>(y, x) += share == 0.0 ? 1 : 0;
      }
    }
    cv::Mat noise(value.size(), CV_32FC3);
    random.fill(noise, cv::RNG::NORMAL, 0, kNoise);
    SurveyFrame frame;
    cv::Mat(value + noise).convertTo(frame.mean, CV_16U);
    stack.frames.push_back(frame);
  }
  return stack;
}

// What a mask's mean of 3 x 3 pixels and three channels takes for a difference, in its sigmas.
double sigmas_off(const cv::Mat& backdrop, int x, int y) {
  const cv::Vec3f& at = backdrop.at<cv::Vec3f>(y, x);
  const double mean =
      (static_cast<double>(at[0]) + static_cast<double>(at[1]) + static_cast<double>(at[2])) / 3.0;
  return std::abs(mean - true_level(x, y)) / (kNoise / std::sqrt(27.0));
}

// 8 sigmas count as surely darker in a mask (stages/mask/dark.cpp), so the backdrop must be known
// better; a third of that is left to the noise of the few stations that looked past.
TEST(SurveyBackdrop, FewStationsAreEnoughBesideADarkSpecimen) {
  const Stack stack = swaying_body();
  const StackBackdrop backdrop =
      estimate_backdrop(stack.frames, {kNoise * kNoise, 0}, cv::Mat::zeros(kHeight, kWidth, CV_8U));
  double sum2 = 0;
  int few = 0;
  int beyond = 0;
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      const int clear = stack.clear_at.at<int>(y, x);
      if (clear == 0 || clear > kStations / 2) continue;
      const double off = sigmas_off(backdrop.value, x, y);
      ++few;
      sum2 += off * off;
      beyond += off > 8.0 ? 1 : 0;
    }
  }
  ASSERT_GT(few, 1000);
  EXPECT_EQ(beyond, 0);
  EXPECT_LT(std::sqrt(sum2 / few), 8.0 / 3.0);
}

TEST(SurveyBackdrop, DarkFurrowsOfTheSpecimenAreNotTheBackdropSeen) {
  const Stack stack = swaying_body();
  const StackBackdrop backdrop =
      estimate_backdrop(stack.frames, {kNoise * kNoise, 0}, cv::Mat::zeros(kHeight, kWidth, CV_8U));
  int hidden = 0;
  int claimed = 0;
  int open = 0;
  int missed = 0;
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      const bool seen = backdrop.seen.at<std::uint8_t>(y, x) != 0;
      const int clear = stack.clear_at.at<int>(y, x);
      hidden += clear == 0 ? 1 : 0;
      claimed += clear == 0 && seen ? 1 : 0;
      open += clear > kStations / 2 ? 1 : 0;
      missed += clear > kStations / 2 && !seen ? 1 : 0;
    }
  }
  ASSERT_GT(hidden, 5000);
  EXPECT_LT(claimed, hidden / 100);
  EXPECT_LT(missed, open / 100);
}

// The stage's edge, say. Smoothing row by row must look past a step without taking it for noise and
// without leaving what it knows of the levels on one side of it: whatever the row, both sides keep
// theirs.
TEST(SurveyBackdrop, AStepStaysWhereItIsWhateverTheRow) {
  for (const int step : {61, 62, 63, 64, 65, 66, 128, 192}) {
    SCOPED_TRACE(step);
    std::vector<SurveyFrame> frames(kStations);
    for (int k = 0; k < kStations; ++k) {
      cv::Mat value(kHeight, kWidth, CV_32FC3, cv::Scalar::all(60000));
      value.rowRange(0, step).setTo(cv::Scalar::all(1500));
      cv::Mat noise(value.size(), CV_32FC3);
      cv::RNG(static_cast<std::uint64_t>(300 + k)).fill(noise, cv::RNG::NORMAL, 0, 10);
      cv::Mat(value + noise).convertTo(frames[static_cast<std::size_t>(k)].mean, CV_16U);
    }
    const StackBackdrop backdrop =
        estimate_backdrop(frames, {100, 0}, cv::Mat::zeros(kHeight, kWidth, CV_8U));
    const auto furthest = [&](const cv::Mat& side, double level) {
      return cv::norm(cv::Mat(side.reshape(1) - level), cv::NORM_INF);
    };
    EXPECT_LT(furthest(backdrop.value.rowRange(0, step), 1500), 30);
    EXPECT_LT(furthest(backdrop.value.rowRange(step, kHeight), 60000), 30);
  }
}

}  // namespace backdrop_test
}  // namespace trunnion::survey

#include "stages/survey/agreement.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>

namespace trunnion::survey {
namespace agreement_test {

constexpr int kSide = 80;
constexpr double kLevel = 0.5;
// So noisy that no depth below stands out of it: all stations weigh alike and location is the mean.
constexpr LightNoise kNoise{0.01, 0};

Speck shape_of(double depth) {
  Speck speck;
  speck.centre = {40, 40};
  speck.diameter = 10;
  speck.depth = depth;
  return speck;
}

// One quantised log image a depth: flat, with the shape that deep in it.
std::vector<cv::Mat> stations_of(const std::vector<double>& depths) {
  std::vector<cv::Mat> logs;
  for (const double depth : depths) {
    cv::Mat grey(kSide, kSide, CV_32FC1);
    for (int y = 0; y < kSide; ++y) {
      for (int x = 0; x < kSide; ++x) {
        grey.at<float>(y, x) =
            static_cast<float>(kLevel * std::exp(-depth * shadow_at(shape_of(depth), x, y)));
      }
    }
    logs.push_back(quantised_log(grey, 1.0));
  }
  return logs;
}

// Depths of 24 stations, alike within each of the twelve groups.
std::vector<double> depths_around(double mean, double spread) {
  std::vector<double> depths;
  for (int group = 0; group < 12; ++group) {
    const double away = spread * (group - 5.5);
    depths.insert(depths.end(), {mean + away, mean + away});
  }
  return depths;
}

// The jackknife of a mean of G values is their standard error, sqrt(sum away^2 / (G (G - 1))), as
// Efron and Stein have it.
double standard_error(double spread) {
  double squares = 0;
  for (int group = 0; group < 12; ++group) squares += std::pow(spread * (group - 5.5), 2);
  return std::sqrt(squares / (12.0 * 11.0));
}

double agreement(const std::vector<double>& depths, double mean) {
  return agreement_of(stations_of(depths), kNoise, shape_of(mean), 1);
}

TEST(SurveyAgreement, IsTheDepthOverTheStandardErrorOfTheGroups) {
  for (const double spread : {0.004, 0.008}) {
    const double known = 0.1 / standard_error(spread);
    EXPECT_NEAR(agreement(depths_around(0.1, spread), 0.1) / known, 1.0, 0.05) << spread;
  }
}

TEST(SurveyAgreement, StationsThatErrAlikeCountAsOneGroup) {
  // The same depths, but so that both of a group differ and the groups agree: what jackknifing
  // single stations would not separate.
  std::vector<double> depths;
  for (int k = 0; k < 12; ++k) depths.insert(depths.end(), {0.06, 0.14});
  EXPECT_GT(agreement(depths, 0.1), 20 * agreement(depths_around(0.1, 0.011), 0.1));
}

TEST(SurveyAgreement, NeedsItsStations) {
  EXPECT_EQ(agreement(std::vector<double>(kAgreementStations - 1, 0.1), 0.1), 0);
  EXPECT_GT(agreement(std::vector<double>(kAgreementStations, 0.1), 0.1), 0);
}

TEST(SurveyAgreement, OfACoarserLevelIsThatOfItsMeans) {
  const std::vector<double> depths = depths_around(0.1, 0.006);
  std::vector<cv::Mat> fine;
  for (const cv::Mat& log : stations_of(depths)) {
    cv::Mat twice;
    cv::resize(log, twice, {}, 2, 2, cv::INTER_NEAREST);
    fine.push_back(twice);
  }
  EXPECT_NEAR(agreement_of(fine, kNoise, shape_of(0.1), 2), agreement(depths, 0.1), 1e-6);
}

}  // namespace agreement_test
}  // namespace trunnion::survey

#include "stages/survey/neighbour.h"

#include <gtest/gtest.h>

#include <cmath>
#include <iostream>
#include <opencv2/imgproc.hpp>

#include "stages/survey/settle.h"

namespace trunnion::survey {
namespace neighbour_test {

constexpr int kStations = 12;
constexpr LightNoise kNoise{1e-6, 1e-5};
constexpr int kWidth = 400;
constexpr int kHeight = 80;
const cv::Point2d kMiddle(199.6, 40.3);

Speck the_speck() {
  Speck speck;
  speck.centre = kMiddle;
  speck.diameter = 9;
  speck.depth = 0.2;
  return speck;
}

// A patterned surface that moves by `shift` px from station to station, stretched as it goes, its
// light changing; the speck stands still.
std::vector<cv::Mat> turning_behind(const Speck& speck, double shift, cv::RNG& random) {
  cv::Mat pattern(200, 900, CV_32FC1);
  random.fill(pattern, cv::RNG::NORMAL, 0, 0.15 * 5.3);  // 5.3: what the blur takes
  cv::GaussianBlur(pattern, pattern, {0, 0}, 1.5);
  std::vector<cv::Mat> logs;
  for (int k = 0; k < kStations; ++k) {
    const double stretch = 1 + 0.01 * k;
    const cv::Matx23d map(stretch, 0.004 * k, 100 + shift * k, 0, 1, 60);
    cv::Mat grey;
    cv::warpAffine(pattern, grey, map, {kWidth, kHeight}, cv::INTER_CUBIC | cv::WARP_INVERSE_MAP);
    grey += 0.03 * k;
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        grey.at<float>(y, x) -= static_cast<float>(speck.depth * shadow_at(speck, x, y));
      }
    }
    cv::exp(grey, grey);
    grey *= 0.3;
    cv::Mat noise(grey.size(), CV_32FC1);
    random.fill(noise, cv::RNG::NORMAL, 0, std::sqrt(kNoise.at_zero + kNoise.per_level * 0.3));
    logs.push_back(quantised_log(grey + noise, 1.0));
  }
  return logs;
}

std::vector<cv::Mat> windows_of(const std::vector<cv::Mat>& logs, const cv::Rect& window) {
  std::vector<cv::Mat> patches;
  for (const cv::Mat& log : logs) patches.push_back(log(window).clone());
  return patches;
}

double gradients_of(const cv::Mat& quantised) {
  cv::Mat log;
  quantised.convertTo(log, CV_32F, quantised_log_step());
  const int wide = log.cols - 1;
  return cv::norm(log.colRange(0, wide), log.colRange(1, wide + 1)) /
         std::sqrt(static_cast<double>(wide * log.rows));
}

const cv::Rect kWindow(180, 21, 39, 39);

TEST(SurveyNeighbour, WhatMovesOnIsTakenFromTheNextStation) {
  Speck none = the_speck();
  none.depth = 0;
  cv::RNG random(3);
  const auto logs = turning_behind(none, 17.3, random);
  const auto patches = windows_of(logs, kWindow);
  const auto rest = less_pattern(logs, kNoise, patches, kWindow, 7);
  ASSERT_EQ(rest.size(), patches.size());
  for (std::size_t k = 0; k < rest.size(); ++k) {
    EXPECT_LT(gradients_of(rest[k]), 0.4 * gradients_of(patches[k])) << k;
  }
}

TEST(SurveyNeighbour, WhatHardlyMovesShowsNothingBesideTheSpeck) {
  cv::RNG random(4);
  const auto logs = turning_behind(the_speck(), 3.0, random);
  const auto patches = windows_of(logs, kWindow);
  const auto rest = less_pattern(logs, kNoise, patches, kWindow, 7);
  for (std::size_t k = 0; k < rest.size(); ++k) {
    EXPECT_EQ(cv::norm(rest[k], patches[k], cv::NORM_INF), 0) << k;
  }
}

TEST(SurveyNeighbour, OtherPatternsAndBareBackdropsStayAsTheyAre) {
  cv::RNG random(5);
  std::vector<cv::Mat> logs;
  for (int k = 0; k < kStations; ++k) {
    Speck none = the_speck();
    none.depth = 0;
    logs.push_back(turning_behind(none, 0, random).front());
  }
  cv::Mat bare(kHeight, kWidth, CV_32FC1);
  random.fill(bare, cv::RNG::NORMAL, 0.3, 0.002);
  logs.push_back(quantised_log(bare, 1.0));
  const auto patches = windows_of(logs, kWindow);
  const auto rest = less_pattern(logs, kNoise, patches, kWindow, 7);
  for (std::size_t k = 0; k < rest.size(); ++k) {
    EXPECT_EQ(cv::norm(rest[k], patches[k], cv::NORM_INF), 0) << k;
  }
}

// The same stations out of order, five or two apart, lie farther off than is searched.
TEST(SurveyNeighbour, DepthIsSurerThanWithoutNeighbours) {
  constexpr int kDraws = 30;
  const Speck truth = the_speck();
  cv::RNG random(6);
  double with = 0;
  double without = 0;
  for (int draw = 0; draw < kDraws; ++draw) {
    const auto logs = turning_behind(truth, 25.3, random);
    std::vector<cv::Mat> apart;
    for (std::size_t k = 0; k < logs.size(); ++k) apart.push_back(logs[k * 5 % logs.size()]);
    with += std::pow(settle(logs, kNoise, {}, truth, 30).speck.depth - truth.depth, 2);
    without += std::pow(settle(apart, kNoise, {}, truth, 30).speck.depth - truth.depth, 2);
  }
  std::cout << "depth of 0.2 to within " << std::sqrt(with / kDraws) << ", without neighbours "
            << std::sqrt(without / kDraws) << '\n';
  EXPECT_LT(std::sqrt(with), 0.6 * std::sqrt(without));
}

}  // namespace neighbour_test
}  // namespace trunnion::survey

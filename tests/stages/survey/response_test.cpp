#include "stages/survey/response.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace trunnion::survey {
namespace response_test {

// Higher than two strips, with weights that vary and fail in places.
Level noisy_level() {
  constexpr int kWidth = 150;
  constexpr int kHeight = 1100;
  Level level;
  level.diameters = {3.0, 5.3, 8.2};
  StaticGradient& field = level.field;
  cv::RNG random(5);
  for (cv::Mat* map : {&field.x, &field.y}) {
    map->create(kHeight, kWidth, CV_32FC1);
    random.fill(*map, cv::RNG::NORMAL, 0, 0.01);
  }
  for (cv::Mat* map : {&field.weight_x, &field.weight_y}) {
    map->create(kHeight, kWidth, CV_32FC1);
    random.fill(*map, cv::RNG::UNIFORM, 0, 2e4);
    map->setTo(0, *map < 2e3);
  }
  field.texture = cv::Mat::zeros(kHeight, kWidth, CV_32FC1);
  return level;
}

// Reference library: OpenCV's filters over the whole level at once, in double precision.
cv::Mat match_of_whole(const StaticGradient& field, double diameter) {
  const Speck shape{{0, 0}, diameter, 0, 0, 0.4, 0, 0, 1};
  cv::Mat product = cv::Mat::zeros(field.x.size(), CV_64FC1);
  cv::Mat information = product.clone();
  for (const bool down : {false, true}) {
    cv::Mat gradient;
    cv::Mat weight;
    cv::Mat kernel;
    (down ? field.y : field.x).convertTo(gradient, CV_64F);
    (down ? field.weight_y : field.weight_x).convertTo(weight, CV_64F);
    gradient_of(shape, static_cast<int>(std::ceil(0.7 * diameter)), down).convertTo(kernel, CV_64F);
    cv::Mat part;
    cv::filter2D(weight.mul(gradient), part, CV_64F, kernel, {-1, -1}, 0, cv::BORDER_CONSTANT);
    product += part;
    const int side = 2 * static_cast<int>(std::lround(0.5 * diameter)) + 1;
    cv::blur(weight, part, {side, side}, {-1, -1}, cv::BORDER_CONSTANT);
    information += part * cv::norm(kernel, cv::NORM_L2SQR);
  }
  cv::Mat root;
  cv::sqrt(cv::max(information, 1e-6), root);
  return cv::abs(product) / root;
}

TEST(SurveyResponse, IsTheSameWhereStripsMeet) {
  const Level level = noisy_level();
  std::vector<double> diameters;
  respond(level, [&](const Response& response) {
    diameters.push_back(response.diameter);
    cv::Mat strength;
    cv::Mat(response.strength.mul(response.scatter)).convertTo(strength, CV_64F);
    const cv::Mat expected = match_of_whole(level.field, response.diameter);
    ASSERT_GT(cv::mean(expected)[0], 0.3);
    EXPECT_LT(cv::norm(strength, expected, cv::NORM_INF), 1e-4);
  });
  EXPECT_EQ(diameters, level.diameters);
}

}  // namespace response_test
}  // namespace trunnion::survey

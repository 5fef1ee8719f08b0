#include "core/contrast.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace contrast_test {

struct Lab {
  double l, a, b;
};

// From the formulas of CIE 15 in double precision; matrix and curve of IEC 61966-2-1, white D65.
Lab by_formula(const cv::Vec<std::uint16_t, 3>& bgr) {
  const auto light = [](double v) {
    v /= 65535.0;
    return v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4);
  };
  const double r = light(bgr[2]);
  const double g = light(bgr[1]);
  const double b = light(bgr[0]);
  const auto f = [](double t) { return t > 0.008856 ? std::cbrt(t) : 7.787 * t + 16.0 / 116.0; };
  const double x = f((0.412453 * r + 0.357580 * g + 0.180423 * b) / 0.950456);
  const double y = f(0.212671 * r + 0.715160 * g + 0.072169 * b);
  const double z = f((0.019334 * r + 0.119193 * g + 0.950227 * b) / 1.088754);
  return {116 * y - 16, 500 * (x - y), 200 * (y - z)};
}

TEST(Contrast, LabFollowsItsFormulasFromBlackToWhite) {
  cv::Mat colours(64, 61, CV_16UC3);
  cv::RNG(7).fill(colours, cv::RNG::UNIFORM, 0, 65536);
  for (int k = 0; k < colours.cols; ++k) {  // dark ones, where the curve has its toe
    const int grey = k * k;
    colours.at<cv::Vec<std::uint16_t, 3>>(0, k) =
        cv::Vec<std::uint16_t, 3>::all(static_cast<std::uint16_t>(grey));
  }
  colours.at<cv::Vec<std::uint16_t, 3>>(1, 0) = {65535, 65535, 65535};
  const cv::Mat lab = to_lab(colours, 65535.0);
  for (int y = 0; y < lab.rows; ++y) {
    for (int x = 0; x < lab.cols; ++x) {
      const Lab expected = by_formula(colours.at<cv::Vec<std::uint16_t, 3>>(y, x));
      const auto& found = lab.at<cv::Vec3f>(y, x);
      ASSERT_NEAR(found[0], expected.l, 2e-4);
      ASSERT_NEAR(found[1], expected.a, 2e-3);
      ASSERT_NEAR(found[2], expected.b, 1e-3);
    }
  }
}

// OpenCV's conversion of linear light.
TEST(Contrast, LabIsTheLibrarys) {
  cv::Mat colours(64, 61, CV_16UC3);
  cv::RNG(8).fill(colours, cv::RNG::UNIFORM, 0, 65536);
  cv::Mat expected(colours.size(), CV_32FC3);
  for (int y = 0; y < colours.rows; ++y) {
    for (int k = 0; k < 3 * colours.cols; ++k) {
      expected.ptr<float>(y)[k] = linear_light()[colours.ptr<std::uint16_t>(y)[k]];
    }
  }
  cv::cvtColor(expected, expected, cv::COLOR_LBGR2Lab);
  EXPECT_LT(cv::norm(to_lab(colours, 65535.0), expected, cv::NORM_INF), 0.02);
}

}  // namespace contrast_test
}  // namespace trunnion

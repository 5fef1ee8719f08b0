#include "stages/measure_scale/measure_scale.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

namespace trunnion::measure_scale {
namespace measure_scale_test {

// Rulings of a tenth of the division's width each, turned by `direction`.
cv::Mat rulings(double division_px, double direction, double dark, double light) {
  cv::Mat image(500, 800, CV_32F);
  for (int v = 0; v < image.rows; ++v) {
    for (int u = 0; u < image.cols; ++u) {
      const double d = u * std::cos(direction) + v * std::sin(direction);
      const double off = std::abs(d - division_px * std::round(d / division_px));
      const double ink = std::clamp(0.08 * division_px - off + 0.5, 0.0, 1.0);
      image.at<float>(v, u) = static_cast<float>(light + (dark - light) * ink);
    }
  }
  cv::GaussianBlur(image, image, {}, 0.9);
  cv::Mat noise(image.size(), CV_32F);
  cv::RNG(4).fill(noise, cv::RNG::NORMAL, 0.0, 0.01);
  image += noise;
  cv::Mat result;
  image.convertTo(result, CV_16U, 65535.0);
  return result;
}

TEST(MeasureScale, FindsTheDivisionAtEveryAngle) {
  for (const double direction : {0.0, 0.05, -0.3, 1.2, 1.5707}) {
    const ScaleMeasurement scale =
        measure_scale(rulings(31.4, direction, 0.2, 0.8), {.division_mm = 0.1});
    ASSERT_TRUE(scale.found) << scale.reason;
    EXPECT_NEAR(scale.mm_per_px, 0.1 / 31.4, 5e-4 * 0.1 / 31.4) << direction;
    EXPECT_NEAR(scale.mm_per_px, 0.1 / 31.4, 5.0 * scale.mm_per_px_sigma + 1e-4 * scale.mm_per_px);
  }
}

TEST(MeasureScale, BrightRulingsOnDarkServeToo) {
  const ScaleMeasurement scale = measure_scale(rulings(25, 0.1, 0.9, 0.1), {.division_mm = 0.01});
  ASSERT_TRUE(scale.found) << scale.reason;
  EXPECT_NEAR(scale.mm_per_px, 0.01 / 25, 1e-3 * 0.01 / 25);
}

TEST(MeasureScale, SaysWhyNothingWasMeasured) {
  const ScaleMeasurement scale = measure_scale(rulings(300, 0.0, 0.2, 0.8), {});
  EXPECT_FALSE(scale.found);
  EXPECT_NE(scale.reason.find("rulings"), std::string::npos);
}

}  // namespace measure_scale_test
}  // namespace trunnion::measure_scale

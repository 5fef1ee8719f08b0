#include "stages/blur_bands.h"

#include <gtest/gtest.h>

#include <array>
#include <opencv2/imgproc.hpp>

#include "core/error.h"
#include "datasets/demo_set.h"

namespace trunnion {
namespace {

// A disc with fine texture before a dark backdrop; optionally a blurred stripe across it.
struct Scene {
  cv::Mat image;  // CV_16UC3
  cv::Mat mask;
};

Scene textured_disc(int stripe_px, double blur_px, double texture = 0.15, double soft_px = 0.0) {
  cv::RNG random(7);
  cv::Mat grain(300, 300, CV_32F);
  random.fill(grain, cv::RNG::NORMAL, 0.0, 1.0);
  cv::GaussianBlur(grain, grain, {}, 0.8);
  cv::Mat scene = 0.4 + texture * grain;
  if (soft_px > 0) cv::GaussianBlur(scene, scene, {}, soft_px);
  if (stripe_px > 0) {
    cv::Mat blurred;
    cv::GaussianBlur(scene, blurred, {}, blur_px);
    const cv::Rect stripe(140, 0, stripe_px, 300);
    blurred(stripe).copyTo(scene(stripe));
  }
  Scene result;
  result.mask = cv::Mat::zeros(scene.size(), CV_8U);
  cv::circle(result.mask, {150, 150}, 110, cv::Scalar(255), cv::FILLED);
  cv::Mat backdrop(scene.size(), CV_32F, cv::Scalar(0.05));
  scene.copyTo(backdrop, result.mask);
  cv::Mat noise(scene.size(), CV_32F);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 0.003);
  cv::Mat sensor;
  cv::Mat(backdrop + noise).convertTo(sensor, CV_16U, 65535.0);
  cv::merge(std::vector<cv::Mat>{sensor, sensor, sensor}, result.image);
  return result;
}

TEST(BlurBands, FindsAStripeAndSaysWhere) {
  const Scene scene = textured_disc(20, 3.0);
  const BlurBandResult result = find_blur_bands(scene.image, scene.mask);
  ASSERT_EQ(result.bands.size(), 1U);
  EXPECT_NEAR(result.bands[0].box_px.x, 140, 4);
  EXPECT_NEAR(result.bands[0].box_px.width, 20, 6);
  EXPECT_GT(result.bands[0].box_px.height, 190);
  EXPECT_NEAR(result.area_percent, 100.0 * 20 * 218 / (3.1416 * 110 * 110), 4.0);
  EXPECT_GT(cv::countNonZero(result.blurred(cv::Rect(142, 80, 16, 140))), 16 * 140 * 8 / 10);
  const Findings findings = blur_band_findings(result, "low_003");
  ASSERT_EQ(findings.size(), 1U);
  EXPECT_EQ(findings[0].severity, Severity::doubt);
  EXPECT_EQ(findings[0].file, "low_003");
}

TEST(BlurBands, FindsNothingInASharpImage) {
  const Scene scene = textured_disc(0, 0);
  const BlurBandResult result = find_blur_bands(scene.image, scene.mask);
  EXPECT_TRUE(result.bands.empty());
  EXPECT_GT(result.judged_percent, 95.0);
  EXPECT_TRUE(blur_band_findings(result, "low_003").empty());
}

TEST(BlurBands, DepthAndChannelsMakeNoDifference) {
  const Scene scene = textured_disc(20, 3.0);
  const BlurBandResult sixteen = find_blur_bands(scene.image, scene.mask);
  cv::Mat eight;
  scene.image.convertTo(eight, CV_8U, 1.0 / 257.0);
  EXPECT_NEAR(find_blur_bands(eight, scene.mask).area_percent, sixteen.area_percent, 0.5);
  cv::Mat grey;
  cv::cvtColor(scene.image, grey, cv::COLOR_BGR2GRAY);
  EXPECT_NEAR(find_blur_bands(grey, scene.mask).area_percent, sixteen.area_percent, 0.01);
  cv::Mat alpha;
  cv::cvtColor(scene.image, alpha, cv::COLOR_BGR2BGRA);
  EXPECT_NEAR(find_blur_bands(alpha, scene.mask).area_percent, sixteen.area_percent, 0.01);
}

TEST(BlurBands, SoftOpticsAreJudgedAtHalfSize) {
  const Scene sharp = textured_disc(0, 0, 0.15, 2.5);
  const BlurBandResult clean = find_blur_bands(sharp.image, sharp.mask);
  EXPECT_GT(clean.scale, 1);
  EXPECT_TRUE(clean.bands.empty());
  const Scene banded = textured_disc(40, 9.0, 0.15, 2.5);
  const BlurBandResult found = find_blur_bands(banded.image, banded.mask);
  ASSERT_FALSE(found.bands.empty());
  EXPECT_NEAR(found.bands[0].box_px.x + 0.5 * found.bands[0].box_px.width, 160, 10);
}

TEST(BlurBands, ClippedHighlightsAreNotJudged) {
  Scene scene = textured_disc(0, 0);
  cv::circle(scene.image, {150, 150}, 25, cv::Scalar::all(65535), cv::FILLED);
  EXPECT_TRUE(find_blur_bands(scene.image, scene.mask).bands.empty());
}

TEST(BlurBands, WithoutTextureNothingIsSaid) {
  const Scene scene = textured_disc(20, 3.0, 0.0);
  const BlurBandResult result = find_blur_bands(scene.image, scene.mask);
  EXPECT_TRUE(result.bands.empty());
  EXPECT_EQ(result.judged_percent, 0.0);
}

TEST(BlurBands, OddInputsAreAnsweredOrRefused) {
  const Scene scene = textured_disc(20, 3.0);
  const cv::Mat nothing = cv::Mat::zeros(scene.mask.size(), CV_8U);
  EXPECT_TRUE(find_blur_bands(scene.image, nothing).bands.empty());
  const cv::Mat all(scene.mask.size(), CV_8U, cv::Scalar(255));
  EXPECT_NO_THROW(find_blur_bands(scene.image, all));
  EXPECT_NO_THROW(find_blur_bands(cv::Mat::zeros(1, 1, CV_8U), cv::Mat::zeros(1, 1, CV_8U) + 255));
  EXPECT_THROW(find_blur_bands(scene.image, scene.mask(cv::Rect(0, 0, 10, 10))), Error);
  EXPECT_THROW(find_blur_bands(cv::Mat(300, 300, CV_32F), scene.mask), Error);
}

// The demo with a tenth of its depth out of focus, at several depths. An image counts as affected
// where a blur of 1.5 px or more (the demo's is 4.5 px at its worst) lies on at least 5 % of the
// specimen; less is a rim of a few pixels, of which stages/blur_bands.h says how many are found.
TEST(SlowBlurBandsDemo, FoundInAffectedImagesAndNoneInCleanOnes) {
  demo::DemoOptions options;
  options.stations = 4;
  options.seed = 2;
  const demo::DemoSet clean(options);
  constexpr std::array centres{0.3, 0.4, 0.5, 0.6, 0.7};
  int affected = 0;
  int found = 0;
  for (const demo::DemoView& view : clean.views()) {
    const demo::RenderedView rendered = clean.render(view);
    EXPECT_TRUE(find_blur_bands(clean.fused(view, rendered), rendered.coverage).bands.empty())
        << view.name;
    double nearest = 0;
    double farthest = 0;
    const cv::Mat specimen = rendered.coverage > 127;
    cv::minMaxLoc(rendered.depth_mm, &nearest, &farthest, nullptr, nullptr, rendered.coverage > 0);
    for (const double centre : centres) {
      const double middle = nearest + centre * (farthest - nearest);
      const double visible = 0.05 * (farthest - nearest) * (1.0 - 1.5 / 4.5);
      const cv::Mat blurred = (cv::abs(rendered.depth_mm - middle) < visible) & specimen;
      if (cv::countNonZero(blurred) < 0.05 * cv::countNonZero(specimen)) continue;
      demo::DemoOptions faulty = options;
      faulty.faults.blur_band = centre;
      const cv::Mat image = demo::DemoSet(faulty).fused(view, rendered);
      ++affected;
      found += find_blur_bands(image, rendered.coverage).bands.empty() ? 0 : 1;
    }
  }
  RecordProperty("affected", affected);
  RecordProperty("found", found);
  EXPECT_GE(affected, 15);
  EXPECT_GE(found, 0.95 * affected) << found << " of " << affected;
}

}  // namespace
}  // namespace trunnion

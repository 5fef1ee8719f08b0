// The mask stage's settings, other depths and sizes, and trails of dust, on the
// demo specimen rendered in memory.
#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "datasets/demo_set.h"
#include "datasets/sensor.h"
#include "stages/mask/mask.h"
#include "stages/survey/survey.h"
#include "tests/support/grey_demo.h"

namespace trunnion::mask {
namespace demo_test {

struct Rendered {
  std::vector<cv::Mat> images;
  std::vector<demo::RenderedView> views;
  SurveyResult survey;
  demo::Sensor sensor;
};

SurveyResult survey_of(const std::vector<cv::Mat>& images) {
  return survey::survey(survey::survey_stations({images.size()}, {}),
                        [&](std::size_t k) { return images[k].clone(); }, std::nullopt,
                        BackdropKind::automatic, {});
}

Rendered render(const demo::DemoOptions& options) {
  const demo::DemoSet set(options);
  Rendered result;
  result.sensor = set.sensor();
  for (const demo::DemoView& view : set.views()) {
    result.views.push_back(set.render(view));
    result.images.push_back(set.fused(view, result.views.back()));
  }
  result.survey = survey_of(result.images);
  return result;
}

const Rendered& grey_set() {
  static const Rendered set = render(test::grey_demo());
  return set;
}

// Jaccard index at half coverage (Perazzi et al., CVPR 2016).
double overlap(const cv::Mat& mask, const cv::Mat& truth) {
  const cv::Mat a = mask > 127;
  const cv::Mat b = truth > 127;
  return cv::countNonZero(a & b) / static_cast<double>(cv::countNonZero(a | b));
}

double share_of(const cv::Mat& part, const cv::Mat& mask) {
  return cv::countNonZero(part & (mask > 127)) / static_cast<double>(cv::countNonZero(part));
}

MaskResult mask_of(std::size_t view, const MaskSettings& settings, double pixel_mm = 0.01) {
  return make_mask(grey_set().images[view], grey_set().survey, settings, pixel_mm);
}

TEST(MaskSettingsOnDemo, MountIsKeptRemovedBelowALineOrByItsOwnDetection) {
  for (const std::size_t view : {std::size_t{0}, std::size_t{5}}) {
    const demo::RenderedView& truth = grey_set().views[view];
    const cv::Mat pin = truth.pin > 250;
    const cv::Mat body = (truth.coverage > 250) & (truth.pin == 0);
    ASSERT_GT(cv::countNonZero(pin), 100);
    const double kept = share_of(pin, mask_of(view, {}).coverage);
    EXPECT_GE(kept, 0.95);

    MaskSettings line;
    line.mount = MountHandling::below_line;
    line.mount_line_px = 250;
    const cv::Mat cut = mask_of(view, line).coverage;
    EXPECT_EQ(cv::countNonZero(cut.rowRange(250, cut.rows)), 0);
    EXPECT_EQ(cv::countNonZero(cut.rowRange(0, 250) != mask_of(view, {}).coverage.rowRange(0, 250)),
              0);

    MaskSettings detect;
    detect.mount = MountHandling::detect;
    const cv::Mat freed = mask_of(view, detect).coverage;
    EXPECT_LE(share_of(pin, freed), 0.35) << "the pin stays but for its top among the bristles";
    EXPECT_GE(share_of(body, freed), 0.97);
  }
}

TEST(MaskSettingsOnDemo, AMarginNeverBringsTheMountBack) {
  const SurveyResult& survey = grey_set().survey;
  cv::Mat mount;
  cv::resize(survey.mount, mount, grey_set().images[0].size(), 0, 0, cv::INTER_NEAREST);
  ASSERT_EQ(survey.scale, 1);
  ASSERT_GT(cv::countNonZero(mount), 100);
  for (const double margin : {0.5, 3.0, 10.0, 60.0}) {
    MaskSettings line;
    line.mount = MountHandling::below_line;
    line.mount_line_px = 250;
    line.margin_px = margin;
    const MaskResult cut = mask_of(5, line);
    EXPECT_EQ(cv::countNonZero(cut.coverage.rowRange(250, cut.coverage.rows)), 0) << margin;
    EXPECT_GT(cv::sum(cut.coverage)[0], cv::sum(cut.outline)[0]) << margin;

    MaskSettings detect;
    detect.mount = MountHandling::detect;
    detect.margin_px = margin;
    const MaskResult freed = mask_of(5, detect);
    EXPECT_EQ(cv::countNonZero(freed.coverage & mount), 0) << margin;
    EXPECT_GT(cv::sum(freed.coverage)[0], cv::sum(freed.outline)[0]) << margin;

    // In mm the same, and with the mount kept the margin goes round it.
    MaskSettings in_mm = line;
    in_mm.margin_px = 0;
    in_mm.margin_mm = 0.01 * margin;
    EXPECT_EQ(cv::countNonZero(mask_of(5, in_mm).coverage != cut.coverage), 0) << margin;
    MaskSettings keep;
    keep.margin_px = margin;
    EXPECT_GT(cv::countNonZero(mask_of(5, keep).coverage & mount),
              cv::countNonZero(mask_of(5, {}).coverage & mount) - 1)
        << margin;
  }
  // Shrinking leaves it out as well.
  MaskSettings shrink;
  shrink.mount = MountHandling::detect;
  shrink.margin_px = -2;
  EXPECT_EQ(cv::countNonZero(mask_of(5, shrink).coverage & mount), 0);
}

TEST(MaskSettingsOnDemo, MarginsInPixelsAndMillimetresGrowAndShrinkAlike) {
  const MaskResult plain = mask_of(2, {});
  const double area = cv::sum(plain.coverage)[0];
  MaskSettings grow;
  grow.margin_px = 3;
  MaskSettings grow_mm;
  grow_mm.margin_mm = 0.03;
  MaskSettings shrink;
  shrink.margin_px = -2;
  const MaskResult grown = mask_of(2, grow);
  EXPECT_GT(cv::sum(grown.coverage)[0], 1.1 * area);
  EXPECT_LT(cv::sum(mask_of(2, shrink).coverage)[0], 0.95 * area);
  EXPECT_EQ(cv::countNonZero(grown.outline != plain.outline), 0) << "the margin is no finding";
  EXPECT_EQ(grown.measures.area_px, plain.measures.area_px) << "judged without the margin";
  EXPECT_EQ(cv::countNonZero(grown.coverage != mask_of(2, grow_mm, 0.01).coverage), 0);
}

TEST(MaskSettingsOnDemo, TrueHolesStayOpenUnlessTheSettingFillsThem) {
  // Backdrop enclosed by the true outline: the loop of the antenna, gaps between limbs.
  std::size_t holes_px = 0;
  double open = 0;
  double filled = 0;
  MaskSettings fill;
  fill.keep_holes = false;
  for (std::size_t view = 0; view < 12; ++view) {
    const cv::Mat truth = grey_set().views[view].coverage > 0;
    cv::Mat outside = truth.clone();
    cv::copyMakeBorder(outside, outside, 1, 1, 1, 1, cv::BORDER_CONSTANT, cv::Scalar(0));
    cv::floodFill(outside, {0, 0}, cv::Scalar(255));
    cv::Mat holes = outside(cv::Rect({1, 1}, truth.size())) == 0;
    cv::erode(holes, holes, cv::Mat());
    const int count = cv::countNonZero(holes);
    if (count == 0) continue;
    holes_px += static_cast<std::size_t>(count);
    open += count * (1.0 - share_of(holes, mask_of(view, {}).coverage));
    filled += count * share_of(holes, mask_of(view, fill).coverage);
  }
  ASSERT_GT(holes_px, 100U);
  EXPECT_GE(open / static_cast<double>(holes_px), 0.9);
  EXPECT_GE(filled / static_cast<double>(holes_px), 0.9);
}

TEST(MaskOnDemo, EightBitImagesAreMaskedAsWell) {
  demo::DemoOptions options = test::grey_demo();
  options.bits = 8;
  options.faults.exposure = 0.8;
  const Rendered set = render(options);
  double sum = 0;
  for (std::size_t k = 0; k < set.images.size(); k += 3) {
    sum += overlap(make_mask(set.images[k], set.survey, {}, 0).coverage, set.views[k].coverage);
  }
  // The bar is 0.990; at this size bristles of a pixel make up a tenth of the outline's pixels.
  EXPECT_GE(sum / 4.0, 0.95);
}

TEST(MaskOnDemo, BlocksOfSeveralPixelsAndSoftEdgesLoseNothing) {
  // Above 800 px the coarse blocks works on blocks. Enlarging blurs the edges as lenses do; noise
  // comes after, pixel by pixel.
  constexpr int kTimes = 3;
  const demo::DemoSet set(test::grey_demo());
  demo::Sensor sensor = set.sensor();
  sensor.dust.clear();
  sensor.hot_pixels.clear();
  Camera camera = set.rig().camera;
  camera.width_px *= kTimes;
  camera.height_px *= kTimes;
  std::vector<cv::Mat> large;
  for (const demo::RenderedView& view : grey_set().views) {
    cv::Mat colour;
    cv::resize(view.colour, colour, {}, kTimes, kTimes, cv::INTER_LINEAR);
    large.push_back(demo::expose(colour, sensor, camera, large.size()));
  }
  const SurveyResult survey = survey_of(large);
  ASSERT_GT(survey.scale, 1);
  for (const std::size_t k : {std::size_t{1}, std::size_t{7}}) {
    cv::Mat truth;
    cv::resize(grey_set().views[k].coverage, truth, {}, kTimes, kTimes, cv::INTER_LINEAR);
    EXPECT_GE(overlap(make_mask(large[k], survey, {}, 0).coverage, truth), 0.95);
  }
}

TEST(SurveyOnDemo, DistinguishesTrailsOfARailSeriesFromSpots) {
  demo::DemoOptions options = test::grey_demo();
  options.faults.trails = 0.03;
  const Rendered set = render(options);
  int trails = 0;
  for (const Spot& spot : set.survey.spots) {
    if (!spot.trail) continue;
    ++trails;
    // Along the radius from the middle of the image.
    const double radius = std::atan2(spot.y_px - 139.5, spot.x_px - 209.5);
    EXPECT_LT(std::abs(std::sin(radius - spot.angle)), 0.3);
    EXPECT_GT(spot.length_px, 1.15 * spot.diameter_px);
  }
  EXPECT_GE(trails, 3);
  EXPECT_TRUE(std::none_of(grey_set().survey.spots.begin(), grey_set().survey.spots.end(),
                           [](const Spot& spot) { return spot.trail; }));
}

}  // namespace demo_test
}  // namespace trunnion::mask

#include "stages/mask/spill.h"

#include <gtest/gtest.h>

#include <opencv2/core.hpp>

#include "core/contrast.h"
#include "stages/mask/blocks.h"
#include "tests/support/even_survey.h"

namespace trunnion::mask {
namespace spill_test {

using test::even_image;
using test::even_survey;

const cv::Scalar kGrey = cv::Scalar::all(20'000);
const cv::Scalar kGreen(14'000, 36'000, 14'000);
const cv::Scalar kRed(9'000, 9'000, 40'000);

// A specimen with a part beside it that is a mixture of specimen and backdrop.
struct Mixed {
  SurveyResult survey;
  cv::Mat image;
  cv::Mat drawn;  // both
  cv::Rect specimen;
  cv::Rect part;
  double contrast = 0;  // of the part
};

Mixed mixed(int scale, const cv::Scalar& backdrop, double share, const cv::Size& part) {
  const cv::Size size(805, 603);
  Mixed scene{even_survey(size, scale, backdrop),
              even_image(size, backdrop),
              cv::Mat::zeros(size, CV_8U),
              {200, 200, 160, 160},
              {{360, 240}, part},
              0};
  const cv::Scalar tint = (1 - share) * backdrop + share * kRed;
  scene.image(scene.specimen).setTo(kRed);
  scene.image(scene.part).setTo(tint);
  scene.drawn(scene.specimen).setTo(255);
  scene.drawn(scene.part).setTo(255);
  const auto lab = [](const cv::Scalar& colour) {
    return to_lab(cv::Mat(1, 1, CV_32FC3, colour), 65535).at<cv::Vec3f>(0, 0);
  };
  scene.contrast = contrast(lab(tint), lab(backdrop));
  return scene;
}

// Share of the part that is kept.
double kept(const Mixed& scene, cv::Mat& binary_mask) {
  binary_mask = scene.drawn.clone();
  drop_reflections(contrast_of_blocks(scene.image, scene.survey), scene.survey, binary_mask);
  return cv::countNonZero(binary_mask(scene.part)) / static_cast<double>(scene.part.area());
}

class Reflections : public testing::TestWithParam<int> {};

TEST_P(Reflections, AreDroppedAndWhatHasColourIsKept) {
  cv::Mat binary_mask;
  // A reflection: above the low threshold, below the middle of both.
  const Mixed weak = mixed(GetParam(), kGreen, 0.18, {120, 90});
  ASSERT_GT(weak.contrast, weak.survey.separation.low);
  ASSERT_LT(weak.contrast, 0.5 * (weak.survey.separation.low + weak.survey.separation.high));
  EXPECT_LE(kept(weak, binary_mask), 0.15) << "but for the specimen's own soft edge";
  EXPECT_EQ(cv::countNonZero(binary_mask(weak.specimen) == 0), 0);

  const Mixed strong = mixed(GetParam(), kGreen, 0.5, {120, 90});
  ASSERT_GT(strong.contrast, 0.5 * (strong.survey.separation.low + strong.survey.separation.high));
  EXPECT_EQ(kept(strong, binary_mask), 1.0);
  EXPECT_EQ(cv::countNonZero(binary_mask != strong.drawn), 0);
}

TEST_P(Reflections, TakeTheirSpecksWithThem) {
  cv::Mat binary_mask;
  Mixed scene = mixed(GetParam(), kGreen, 0.18, {160, 120});
  const cv::Rect speck(460, 300, 16, 16);
  const Mixed strength = mixed(GetParam(), kGreen, 0.28, {16, 16});
  // It stands out from the reflection but is nowhere above the high threshold.
  ASSERT_GT(strength.contrast, 0.5 * (scene.survey.separation.low + scene.survey.separation.high));
  ASSERT_LT(strength.contrast, scene.survey.separation.high);
  scene.image(speck).setTo(0.72 * kGreen + 0.28 * kRed);
  EXPECT_LE(kept(scene, binary_mask), 0.15);
  EXPECT_EQ(cv::countNonZero(binary_mask(speck)), 0);
}

TEST_P(Reflections, AreBroaderThanBristles) {
  cv::Mat binary_mask;
  const Mixed thin = mixed(GetParam(), kGreen, 0.18, {120, 3});
  // A bristle in blocks may blocks as broad as two of them.
  EXPECT_EQ(kept(thin, binary_mask), 1.0);
}

TEST_P(Reflections, AreLookedForBeforeColourOnly) {
  cv::Mat binary_mask;
  const Mixed grey = mixed(GetParam(), kGrey, 0.18, {120, 90});
  EXPECT_EQ(kept(grey, binary_mask), 1.0);
}

// The limit that docs/masks.md names: a broad pale translucent part counts as a reflection, a
// membranous wing for instance; an opaque part of the same place does not.
TEST_P(Reflections, CannotBeDistinguishedFromPaleTranslucentParts) {
  cv::Mat binary_mask;
  for (const double share : {0.16, 0.25}) {
    const Mixed wing = mixed(GetParam(), kGreen, share, {200, 120});
    ASSERT_GT(wing.contrast, wing.survey.separation.low);
    ASSERT_LT(wing.contrast, 0.5 * (wing.survey.separation.low + wing.survey.separation.high));
    EXPECT_LE(kept(wing, binary_mask), 0.15) << share;
  }
}

INSTANTIATE_TEST_SUITE_P(Sides, Reflections, testing::Values(1, 4, 8),
                         [](const auto& side) { return cv::format("of%dpx", side.param); });

}  // namespace spill_test
}  // namespace trunnion::mask

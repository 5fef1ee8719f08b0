#include "stages/mask/level.h"

#include <gtest/gtest.h>

#include "stages/mask/mask.h"
#include "tests/support/even_survey.h"

namespace trunnion::mask {
namespace level_test {

using test::even_image;
using test::even_survey;

const cv::Size kSize(400, 300);
const cv::Scalar kGrey = cv::Scalar::all(20'000);
const cv::Scalar kRed(9'000, 9'000, 40'000);
constexpr int kOffLevel = 260;  // 2.6 sigmas of a pixel, and far below what stands out

// A body with a hole through it.
const cv::Rect kBody(120, 60, 160, 180);
const cv::Rect kHole(170, 110, 60, 70);

cv::Mat body_with_hole() {
  cv::Mat image = even_image(kSize, kGrey);
  image(kBody).setTo(kRed);
  return image;
}

int kept_in_the_hole(const cv::Mat& image, int scale) {
  const cv::Mat coverage = make_mask(image, even_survey(kSize, scale, kGrey), {}, 0).coverage;
  EXPECT_GT(cv::countNonZero(coverage), kBody.area() / 2);
  const cv::Rect inner(kHole.x + 4, kHole.y + 4, kHole.width - 8, kHole.height - 8);
  return cv::countNonZero(coverage(inner));
}

TEST(BackdropOfAnImage, OpensAHoleWhoseLevelTheSurveyMissed) {
  for (const int scale : {1, 2}) {
    cv::Mat image = body_with_hole();
    image(kHole).setTo(kGrey + cv::Scalar::all(kOffLevel));
    EXPECT_EQ(kept_in_the_hole(image, scale), 0) << scale;
  }
}

TEST(BackdropOfAnImage, KeepsASurfaceThatPassesThroughItsLevel) {
  for (const int scale : {1, 2}) {
    cv::Mat image = body_with_hole();
    for (int x = kHole.x; x < kHole.br().x; ++x) {
      const double away = 20.0 * (x - kHole.x - kHole.width / 2.0);
      image(cv::Rect(x, kHole.y, 1, kHole.height)).setTo(kGrey + cv::Scalar::all(away));
    }
    EXPECT_GT(kept_in_the_hole(image, scale), kHole.area() / 2) << scale;
  }
}

TEST(BackdropOfAnImage, FollowsTheImageBesideTheBody) {
  cv::Mat image = even_image(kSize, kGrey + cv::Scalar::all(kOffLevel));
  image(kBody).setTo(kRed);
  SurveyResult survey = even_survey(kSize, 2, kGrey);
  BlockContrast blocks = contrast_of_blocks(image, survey);
  blocks.backdrop = survey.backdrop.clone();  // as if the exposure said nothing
  cv::Mat binary_mask = cv::Mat::zeros(kSize, CV_8U);
  binary_mask(kBody).setTo(255);
  correct_backdrop(binary_mask, binary_mask, survey, blocks);
  for (const cv::Point at : {cv::Point(10, 10), cv::Point(100, 75), cv::Point(150, 20)}) {
    EXPECT_NEAR(blocks.backdrop.at<cv::Vec3f>(at)[1], kGrey[1] + kOffLevel, 5) << at;
  }
}

}  // namespace level_test
}  // namespace trunnion::mask

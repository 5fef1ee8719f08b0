#include "stages/mask/glow.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

#include "stages/mask/mask.h"
#include "tests/support/even_survey.h"

namespace trunnion::mask {
namespace glow_test {

constexpr int kSide = 320;
const cv::Scalar kBehind(20000, 20000, 20000);

// A disc with hairs, 1 px wide; with glow, half of a blurred copy lies around it.
struct Drawn {
  cv::Mat image;
  cv::Mat truth;  // CV_8U
};

Drawn hairy_disc(bool glow) {
  Drawn drawn;
  drawn.truth = cv::Mat::zeros(kSide, kSide, CV_8U);
  const cv::Point centre(kSide / 2, kSide / 2);
  cv::circle(drawn.truth, centre, 60, cv::Scalar(255), cv::FILLED);
  for (int k = 0; k < 40; ++k) {
    const double turn = 0.157 * k;
    cv::line(drawn.truth, centre,
             {centre.x + static_cast<int>(85 * std::cos(turn)),
              centre.y + static_cast<int>(85 * std::sin(turn))},
             cv::Scalar(255));
  }
  cv::Mat blurred;
  cv::GaussianBlur(drawn.truth, blurred, {}, 8.0);
  drawn.image.create(kSide, kSide, CV_16UC3);
  cv::RNG random(3);
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) {
      const double own = drawn.truth.at<uchar>(y, x) / 255.0;
      const double light = glow ? 0.5 * blurred.at<uchar>(y, x) / 255.0 : 0.0;
      for (int c = 0; c < 3; ++c) {
        drawn.image.at<cv::Vec3w>(y, x)[c] = cv::saturate_cast<std::uint16_t>(
            kBehind[c] + std::max(own, light) * 24000 + random.gaussian(100));
      }
    }
  }
  return drawn;
}

// Coverage where there is no specimen, over the specimen's area.
double false_coverage(const Drawn& drawn) {
  const SurveyResult survey = test::even_survey(drawn.image.size(), 1, kBehind);
  cv::Mat coverage = make_mask(drawn.image, survey, {}, 0).coverage.clone();
  cv::Mat near;
  cv::dilate(drawn.truth, near, cv::Mat());
  coverage.setTo(0, near);
  return cv::sum(coverage)[0] / cv::sum(drawn.truth)[0];
}

TEST(Glow, IsNoSpecimen) {
  EXPECT_LE(false_coverage(hairy_disc(true)), 0.01);
}

TEST(Glow, IsLookedForOnlyWhereItIs) {
  const Drawn drawn = hairy_disc(false);
  const SurveyResult survey = test::even_survey(drawn.image.size(), 1, kBehind);
  const BlockContrast blocks = contrast_of_blocks(drawn.image, survey);
  EXPECT_EQ(cv::norm(against_glow(drawn.image, blocks, survey).backdrop, blocks.backdrop), 0.0);
  EXPECT_LE(false_coverage(drawn), 0.001);
}

TEST(Glow, ChangesTheBackdropAroundTheSpecimen) {
  const Drawn drawn = hairy_disc(true);
  const SurveyResult survey = test::even_survey(drawn.image.size(), 1, kBehind);
  const BlockContrast blocks = contrast_of_blocks(drawn.image, survey);
  const BlockContrast found = against_glow(drawn.image, blocks, survey);
  EXPECT_GT(found.backdrop.at<cv::Vec3f>(kSide / 2, kSide / 2 + 76)[0], 20500);
  EXPECT_NEAR(found.backdrop.at<cv::Vec3f>(5, 5)[0], 20000, 200);
}

}  // namespace glow_test
}  // namespace trunnion::mask

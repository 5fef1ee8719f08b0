#include "stages/mask/mask.h"

#include <gtest/gtest.h>

#include "core/error.h"
#include "stages/survey/survey.h"
#include "tests/support/even_survey.h"
#include "tests/support/turning_scene.h"

namespace trunnion::mask {
namespace mask_test {

using test::even_image;
using test::even_survey;
using test::TurningScene;

struct Prepared {
  TurningScene scene;
  std::vector<TurningScene::Picture> pictures;
  SurveyResult survey;
};

Prepared prepare(TurningScene scene) {
  scene.width_px = 300;
  scene.height_px = 250;
  scene.stations = 12;
  Prepared set{scene, {}, {}};
  for (int k = 0; k < scene.stations; ++k) set.pictures.push_back(scene.picture(k));
  set.survey = survey::survey(survey::survey_stations({12}, {}),
                              [&](std::size_t k) { return set.pictures[k].image.clone(); },
                              std::nullopt, BackdropKind::automatic, {});
  return set;
}

// Intersection over union of the coverages at one half (the Jaccard index of Perazzi et al., "A
// benchmark dataset and evaluation methodology for video object segmentation", CVPR 2016).
double overlap(const cv::Mat& mask, const cv::Mat& truth) {
  const cv::Mat a = mask > 127;
  const cv::Mat b = truth > 0.5;
  return cv::countNonZero(a & b) / static_cast<double>(cv::countNonZero(a | b));
}

struct Backdrop {
  const char* name;
  double light;
};

class MaskOnBackdrop : public testing::TestWithParam<Backdrop> {};

TEST_P(MaskOnBackdrop, MeetsTheTruthAndKeepsBristles) {
  TurningScene scene;
  scene.backdrop = cv::Vec3d::all(GetParam().light);
  const Prepared set = prepare(scene);
  double mean = 0;
  double kept = 0;
  double all = 0;
  for (const TurningScene::Picture& picture : set.pictures) {
    const MaskResult mask = make_mask(picture.image, set.survey, {}, 0.01);
    mean += overlap(mask.coverage, picture.coverage) / 12.0;
    const cv::Mat bristles = picture.bristles > 0.5;
    kept += cv::countNonZero(bristles & (mask.coverage > 127));
    all += cv::countNonZero(bristles);
  }
  EXPECT_GE(mean, 0.97) << GetParam().name;
  EXPECT_GE(kept / all, 0.90) << GetParam().name;
}

INSTANTIATE_TEST_SUITE_P(Backdrops, MaskOnBackdrop,
                         testing::Values(Backdrop{"black", 0.004}, Backdrop{"grey", 0.18},
                                         Backdrop{"white", 0.8}),
                         [](const auto& named) { return std::string(named.param.name); });

const cv::Scalar kGrey = cv::Scalar::all(20'000);
const cv::Scalar kRed(9'000, 9'000, 40'000);

TEST(MaskFragments, AreNearTheMainPartByBlocksOfTheirTrueSide) {
  // 809 px are 101 blocks and a pixel: blocks of 809 / 102 px would lie 6 px further left here.
  const cv::Size size(809, 600);
  constexpr int kScale = 8;
  const SurveyResult survey = even_survey(size, kScale, kGrey);
  cv::Mat image = even_image(size, kGrey);
  image(cv::Rect(703, 100, 80, 300)).setTo(kRed);
  // 2 % of the diagonal are 20 px, three blocks: block 84 is near to block 87, block 83 is not.
  const cv::Rect near(674, 150, 5, 5);
  const cv::Rect far(666, 250, 5, 5);
  ASSERT_EQ(703 / kScale - near.x / kScale, 3);
  ASSERT_EQ(703 / kScale - far.x / kScale, 4);
  image(near).setTo(kRed);
  image(far).setTo(kRed);
  const cv::Mat coverage = make_mask(image, survey, {}, 0).coverage;
  EXPECT_GE(cv::countNonZero(coverage(near) > 127), 20);
  EXPECT_EQ(cv::countNonZero(coverage(far)), 0);
  EXPECT_EQ(cv::countNonZero(coverage(cv::Rect(704, 101, 78, 298)) < 255), 0);
}

TEST(MaskFragments, AreAsNearAsTheirNearestPoint) {
  const cv::Size size(800, 600);
  const SurveyResult survey = even_survey(size, 8, kGrey);
  cv::Mat image = even_image(size, kGrey);
  image(cv::Rect(600, 100, 80, 300)).setTo(kRed);
  // Two hairs of 100 px towards the main part: 2 % of the diagonal are 20 px.
  const cv::Rect near(485, 150, 100, 5);
  const cv::Rect far(455, 250, 100, 5);
  image(near).setTo(kRed);
  image(far).setTo(kRed);
  const cv::Mat coverage = make_mask(image, survey, {}, 0).coverage;
  EXPECT_GE(cv::countNonZero(coverage(near) > 127), 400);
  EXPECT_EQ(cv::countNonZero(coverage(far)), 0);
}

// A part of 400 x 300 px of which the lower half is missing and filled as read_image does it: the
// last row goes on.
struct Truncated {
  cv::Mat image = even_image({400, 300}, kGrey);
  cv::Rect missing{0, 150, 400, 150};
  void fill() {
    for (int y = missing.y; y < image.rows; ++y) image.row(missing.y - 1).copyTo(image.row(y));
  }
  [[nodiscard]] MaskResult mask(const MaskSettings& settings) const {
    return make_mask(image, even_survey(image.size(), 1, kGrey), settings, 0, missing);
  }
};

TEST(MaskOfATruncatedImage, NeitherHoldsNorMeasuresWhatIsMissing) {
  Truncated cut;
  const cv::Rect part(100, 100, 8, 50);
  cut.image(part).setTo(kRed);
  cut.fill();
  // What is filled is no specimen, however large: the part is no fragment beside it.
  cut.image(cv::Rect(140, 154, 255, 146)).setTo(kRed);
  MaskSettings grow;
  grow.margin_px = 5;
  const MaskResult mask = cut.mask(grow);
  EXPECT_EQ(cv::countNonZero(mask.outline(cut.missing)), 0);
  EXPECT_EQ(cv::countNonZero(mask.coverage(cut.missing)), 0);
  EXPECT_GT(cv::countNonZero(mask.coverage), part.area());
  EXPECT_EQ(mask.measures.box_px, part);
  EXPECT_NEAR(mask.measures.area_px, part.area(), 10);
  EXPECT_NEAR(mask.measures.centroid_px.x, 103.5, 0.1);
  EXPECT_NEAR(mask.measures.centroid_px.y, 124.5, 0.5);
  EXPECT_FALSE(mask.measures.touches_bottom);
}

TEST(MaskOfATruncatedImage, IsNotJudgedAlongTheCut) {
  Truncated cut;
  cut.image(cv::Rect(100, 60, 80, 90)).setTo(kRed);
  // Only here the part is faint: 16 rows at both its sides, but the whole of the cut.
  cut.image(cv::Rect(100, 134, 80, 16)).setTo(kGrey + cv::Scalar::all(5000));
  cut.fill();
  const MaskMeasures measures = cut.mask({}).measures;
  EXPECT_EQ(measures.box_px, cv::Rect(100, 60, 80, 90));
  EXPECT_GT(measures.weak_outline, 0.02);
  EXPECT_LT(measures.weak_outline, 0.15) << "80 of some 340 px are the cut";
}

TEST(ApplyUserMask, SubtractWinsOverAddAndSizesMustAgree) {
  const cv::Mat coverage(4, 4, CV_8U, cv::Scalar(100));
  cv::Mat add = cv::Mat::zeros(4, 4, CV_8U);
  cv::Mat subtract = cv::Mat::zeros(4, 4, CV_8UC4);
  add.row(1).setTo(255);
  add.row(2).setTo(255);
  subtract.row(2).setTo(cv::Scalar(0, 0, 0, 255));  // painted is what is opaque
  const cv::Mat result = apply_user_mask(coverage, add, subtract);
  EXPECT_EQ(result.at<uchar>(0, 0), 100);
  EXPECT_EQ(result.at<uchar>(1, 0), 255);
  EXPECT_EQ(result.at<uchar>(2, 0), 0);
  EXPECT_THROW(apply_user_mask(coverage, cv::Mat::zeros(3, 4, CV_8U), {}), Error);
}

TEST(MakeMask, AnImageWithoutSpecimenIsADoubt) {
  const cv::Scalar behind(20000, 20000, 20000);
  for (const int scale : {1, 2}) {
    const cv::Mat image = test::even_image({200, 150}, behind);
    const MaskResult result =
        make_mask(image, test::even_survey(image.size(), scale, behind), {}, 0);
    EXPECT_EQ(cv::countNonZero(result.coverage), 0);
    ASSERT_EQ(result.findings.size(), 1U);
    EXPECT_EQ(result.findings.front().severity, Severity::doubt);
  }
}

TEST(MeasureMask, FindsAreaMiddleAndTheEdgesItTouches) {
  cv::Mat coverage = cv::Mat::zeros(100, 200, CV_8U);
  coverage(cv::Rect(0, 40, 50, 20)).setTo(255);
  const MaskMeasures measures = measure_mask(coverage);
  EXPECT_DOUBLE_EQ(measures.area_px, 1000.0);
  EXPECT_DOUBLE_EQ(measures.centroid_px.x, 24.5);
  EXPECT_DOUBLE_EQ(measures.centroid_px.y, 49.5);
  EXPECT_EQ(measures.box_px, cv::Rect(0, 40, 50, 20));
  EXPECT_TRUE(measures.touches_left);
  EXPECT_FALSE(measures.touches_right || measures.touches_top || measures.touches_bottom);
}

}  // namespace mask_test
}  // namespace trunnion::mask

#include "stages/mask.h"

#include <gtest/gtest.h>

#include "core/error.h"
#include "stages/survey.h"
#include "tests/support/turning_scene.h"

namespace trunnion {
namespace {

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
  set.survey = survey(survey_stations({12}, {}),
                      [&](std::size_t k) { return set.pictures[k].image.clone(); }, std::nullopt,
                      BackdropKind::automatic, {});
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

}  // namespace
}  // namespace trunnion

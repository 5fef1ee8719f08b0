// The empty-stage image as backdrop, on the demo specimen with specks of dust close around it.
#include "stages/survey/empty.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

#include "core/error.h"
#include "datasets/demo_set.h"
#include "stages/mask/mask.h"
#include "stages/repair/repair.h"
#include "stages/survey/survey.h"
#include "tests/support/grey_demo.h"

namespace trunnion::survey {
namespace empty_test {

// Rendered once; sensors with and without dust look at it.
struct Scene {
  demo::DemoSet set{test::grey_demo()};
  std::vector<demo::RenderedView> views;
  cv::Mat empty;  // colour of the bare stage
  demo::Sensor dusty;
  demo::Sensor clean;

  Scene() {
    cv::Mat ever = cv::Mat::zeros(280, 420, CV_8U);
    for (const demo::DemoView& view : set.views()) {
      views.push_back(set.render(view));
      ever |= views.back().coverage;
    }
    clean = set.sensor();
    clean.dust.clear();
    clean.hot_pixels.clear();
    dusty = clean;
    // Specks just beside the outline, where what stands out is kept as part of the specimen.
    cv::Mat away;
    cv::distanceTransform(ever == 0, away, cv::DIST_L2, cv::DIST_MASK_PRECISE);
    for (int y = 20; y < 260 && dusty.dust.size() < 12; ++y) {
      for (int x = 20; x < 400; ++x) {
        const float d = away.at<float>(y, x);
        if (d < 7.0F || d > 8.0F || !far_from_others(x, y)) continue;
        dusty.dust.push_back({1.0 * x, 1.0 * y, 6.0, 0.3});
      }
    }
    empty.create(280, 420, CV_32FC3);
    const demo::Backdrop backdrop = set.backdrop();
    const Camera& camera = set.rig().camera;
    for (int y = 0; y < empty.rows; ++y) {
      for (int x = 0; x < empty.cols; ++x) {
        const Eigen::Vector2d at(x, y);
        const Eigen::Vector3d c =
            demo::backdrop_colour(backdrop, camera, at, demo::backdrop_cloud(backdrop, camera, at));
        empty.at<cv::Vec3f>(y, x) = cv::Vec3f(static_cast<float>(c.x()), static_cast<float>(c.y()),
                                              static_cast<float>(c.z()));
      }
    }
  }

  [[nodiscard]] bool far_from_others(int x, int y) const {
    return std::all_of(dusty.dust.begin(), dusty.dust.end(), [&](const demo::DustSpot& spot) {
      return std::hypot(spot.x_px - x, spot.y_px - y) > 22;
    });
  }

  [[nodiscard]] std::vector<cv::Mat> images(const demo::Sensor& sensor) const {
    std::vector<cv::Mat> result;
    for (const demo::RenderedView& view : views) {
      result.push_back(demo::expose(view.colour, sensor, set.rig().camera, result.size()));
    }
    return result;
  }

  [[nodiscard]] cv::Mat empty_stage(const demo::Sensor& sensor, double gain = 1.0) const {
    demo::Exposure exposure;
    exposure.gain = gain;
    return demo::expose(empty, sensor, set.rig().camera, 99, exposure);
  }
};

const Scene& scene() {
  static const Scene made;
  return made;
}

SurveyResult survey_of(const std::vector<cv::Mat>& images, const EmptyStage& empty) {
  return survey(survey_stations({images.size()}, {}),
                [&](std::size_t k) { return images[k].clone(); }, empty, BackdropKind::automatic,
                {});
}

struct Masked {
  int islands_px = 0;  // of the mask on specks that stand clear of the true outline
  int specks = 0;      // how often one stood so
  double overlap = 0;  // Jaccard index at half coverage (Perazzi et al., CVPR 2016), least
};

Masked mask_all(std::vector<cv::Mat> images, const SurveyResult& survey,
                const RepairSettings& settings = {}) {
  Masked result;
  result.overlap = 1;
  for (std::size_t k = 0; k < images.size(); ++k) {
    repair::repair(images[k], survey.spots, settings);
    const cv::Mat mask = mask::make_mask(images[k], survey, {}, 0).coverage > 127;
    cv::Mat truth = scene().views[k].coverage > 127;
    result.overlap =
        std::min(result.overlap, cv::countNonZero(mask & truth) /
                                     static_cast<double>(cv::countNonZero(mask | truth)));
    cv::Mat near;
    cv::dilate(scene().views[k].coverage > 0, near,
               cv::getStructuringElement(cv::MORPH_ELLIPSE, {5, 5}));
    for (const demo::DustSpot& spot : scene().dusty.dust) {
      cv::Mat at = cv::Mat::zeros(mask.size(), CV_8U);
      cv::circle(at, cv::Point2d(spot.x_px, spot.y_px), 5, cv::Scalar(255), cv::FILLED);
      result.islands_px += cv::countNonZero(mask & at & ~near);
      ++result.specks;
    }
  }
  return result;
}

bool doubts_the_empty_stage(const SurveyResult& survey) {
  return std::any_of(survey.findings.begin(), survey.findings.end(), [](const Finding& finding) {
    return finding.severity == Severity::doubt &&
           finding.what.find("differs from the empty-stage image") != std::string::npos;
  });
}

TEST(EmptyStage, IsTakenForTheBackdrop) {
  const cv::Mat empty = scene().empty_stage(scene().clean);
  const std::vector<cv::Mat> images = scene().images(scene().clean);
  const SurveyResult result = survey_of(images, {empty, {}});
  EXPECT_EQ(cv::countNonZero(result.backdrop_seen == 0), 0);
  cv::Mat expected;
  empty.convertTo(expected, CV_32F);
  EXPECT_LT(cv::norm(result.backdrop, expected, cv::NORM_INF), 1.0);
  EXPECT_FALSE(doubts_the_empty_stage(result));
  EXPECT_GE(mask_all(images, result).overlap, 0.93);
}

TEST(EmptyStage, MakesNoSpecimenOfSpecksWhicheverImagesHaveThem) {
  ASSERT_GE(scene().dusty.dust.size(), 8U);
  for (const bool set_has : {true, false}) {
    for (const bool empty_has : {true, false}) {
      if (!set_has && !empty_has) continue;
      const std::vector<cv::Mat> images = scene().images(set_has ? scene().dusty : scene().clean);
      const cv::Mat empty = scene().empty_stage(empty_has ? scene().dusty : scene().clean);
      const SurveyResult result = survey_of(images, {empty, {}});
      ASSERT_GE(result.spots.size(), set_has ? 8U : 0U);
      EXPECT_FALSE(doubts_the_empty_stage(result));
      const Masked masked = mask_all(images, result);
      EXPECT_EQ(masked.islands_px, 0) << "set " << set_has << ", empty stage " << empty_has;
      EXPECT_GE(masked.overlap, 0.93);
    }
  }
}

TEST(EmptyStage, KeepsSpecksThatStayInTheSetsImages) {
  const std::vector<cv::Mat> images = scene().images(scene().dusty);
  RepairSettings off;
  off.dust = false;
  const SurveyResult result =
      survey_of(images, {scene().empty_stage(scene().dusty),
                         [&](const Spot& spot) { return repair::is_repaired(spot, off); }});
  EXPECT_EQ(mask_all(images, result, off).islands_px, 0);
}

TEST(EmptyStage, OfEightBitsServesASetOfSixteenAndTheOtherWayRound) {
  for (const int bits : {16, 8}) {
    demo::Sensor of_set = scene().clean;
    demo::Sensor of_empty = scene().clean;
    of_set.bits = bits;
    of_empty.bits = 24 - bits;
    const std::vector<cv::Mat> images = scene().images(of_set);
    const SurveyResult result = survey_of(images, {scene().empty_stage(of_empty), {}});
    EXPECT_FALSE(doubts_the_empty_stage(result)) << bits;
    EXPECT_GE(mask_all(images, result).overlap, 0.93) << bits;
  }
}

TEST(EmptyStage, OfAnotherSizeIsRefusedAndInOtherLightDoubted) {
  const std::vector<cv::Mat> images = scene().images(scene().clean);
  const cv::Mat empty = scene().empty_stage(scene().clean);
  for (const cv::Rect part : {cv::Rect(0, 0, 419, 280), cv::Rect(0, 0, 420, 100)}) {
    EXPECT_THROW(survey_of(images, {empty(part).clone(), {}}), Error);
  }
  EXPECT_TRUE(
      doubts_the_empty_stage(survey_of(images, {scene().empty_stage(scene().clean, 0.6), {}})));
}

}  // namespace empty_test
}  // namespace trunnion::survey

#include "stages/survey/survey.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "core/error.h"
#include "stages/repair/repair.h"
#include "stages/survey/doubt.h"
#include "tests/support/turning_scene.h"

namespace trunnion::survey {
namespace survey_test {

using test::TrueSpot;
using test::TurningScene;

TurningScene small_scene() {
  TurningScene scene;
  scene.width_px = 300;
  scene.height_px = 250;
  scene.stations = 8;
  scene.backdrop = cv::Vec3d::all(0.18);
  return scene;
}

SurveyResult survey_of(const TurningScene& scene) {
  return survey(survey_stations({8}, {}),
                [&](std::size_t k) { return scene.picture(static_cast<int>(k)).image; },
                std::nullopt, BackdropKind::automatic, {});
}

TEST(SurveyStations, SpreadEvenlyAndNeverTwice) {
  EXPECT_EQ(survey_stations({3, 2}, {}), (std::vector<std::size_t>{0, 1, 2, 3, 4}));
  EXPECT_EQ(survey_stations({12, 12}, {.stations = 4, .most_stations = 4}),
            (std::vector<std::size_t>{3, 9, 15, 21}));
}

TEST(SurveyStations, EachRoundLiesEvenlyBetweenThoseBefore) {
  const SurveySettings settings{.stations = 4, .most_stations = 12};
  const std::vector<std::size_t> order = survey_stations({18, 18}, settings);
  ASSERT_EQ(order.size(), 12U);
  std::size_t seen = 0;
  for (const std::size_t count : {4U, 12U}) {
    seen = survey_round_end(seen, order.size(), settings);
    EXPECT_EQ(seen, count);
    std::vector<std::size_t> stations(order.begin(),
                                      order.begin() + static_cast<std::ptrdiff_t>(count));
    std::sort(stations.begin(), stations.end());
    for (std::size_t k = 1; k < count; ++k) {
      EXPECT_EQ(stations[k] - stations[k - 1], 36 / count) << count;
    }
  }
  EXPECT_EQ(survey_round_end(seen, order.size(), settings), order.size());
}

TEST(SurveyStations, MoreThanARoundAreSpreadOverTheRestAndNeverTwice) {
  // A third round is cut short: 16 between the 8 of the first, then 6 of the 48 left.
  const std::vector<std::size_t> order =
      survey_stations({72}, {.stations = 8, .most_stations = 30});
  ASSERT_EQ(order.size(), 30U);
  EXPECT_EQ(std::set<std::size_t>(order.begin(), order.end()).size(), 30U);
  std::vector<std::size_t> last(order.begin() + 24, order.end());
  EXPECT_TRUE(std::is_sorted(last.begin(), last.end()));
  EXPECT_LT(last.front(), 12U);
  EXPECT_GE(last.back(), 60U);
}

TEST(Survey, FindsDustOnBackdropAndNothingOnACleanSet) {
  TurningScene scene = small_scene();
  EXPECT_TRUE(survey_of(scene).spots.empty());
  const std::vector<TrueSpot> dust{
      {40, 40, 6, -0.08}, {250, 60, 10, -0.15}, {60, 200, 20, -0.06}, {260, 210, 5, -0.10}};
  scene.dust = dust;
  const SurveyResult result = survey_of(scene);
  EXPECT_EQ(result.spots.size(), dust.size());
  for (const TrueSpot& truth : dust) {
    bool found = false;
    for (const Spot& spot : result.spots) {
      if (std::hypot(spot.x_px - truth.x_px, spot.y_px - truth.y_px) > 1.0) continue;
      found = true;
      EXPECT_NEAR(spot.diameter_px, truth.diameter_px, 0.2 * truth.diameter_px);
      EXPECT_NEAR(spot.contrast, truth.contrast, 0.25 * std::abs(truth.contrast));
    }
    EXPECT_TRUE(found) << truth.x_px << ", " << truth.y_px;
  }
  ASSERT_FALSE(result.findings.empty());
  EXPECT_NE(result.findings.front().what.find("4 dust spots"), std::string::npos);

  TurningScene::Picture picture = scene.picture(2);
  const repair::RepairResult repaired = repair::repair(picture.image, result.spots, {});
  EXPECT_EQ(repaired.spots_repaired, 4);
  for (const TrueSpot& truth : dust) {
    // What is left at the spot lies within the noise of the picture.
    const int r = static_cast<int>(0.3 * truth.diameter_px);
    const cv::Rect box(static_cast<int>(truth.x_px) - r, static_cast<int>(truth.y_px) - r,
                       2 * r + 1, 2 * r + 1);
    const double left =
        std::abs(cv::mean(picture.image(box))[1] / cv::mean(picture.clean(box))[1] - 1);
    EXPECT_LT(left, 0.25 * std::abs(truth.contrast));
  }
}

TEST(Survey, MeasuresTheNoiseOfTheSensor) {
  TurningScene scene = small_scene();
  const SurveyResult result = survey_of(scene);
  // The scene's noise: variance noise^2 (level + 0.01), in encoded values.
  const double level = 0.46;  // of the backdrop: 0.18 encoded as sRGB
  const double truth = scene.noise * scene.noise * (level + 0.01) * 65535.0 * 65535.0;
  const double found = result.noise.variance(level * 65535.0);
  EXPECT_NEAR(found / truth, 1.0, 0.2);
}

TEST(Survey, SaysWhenTheBackdropIsNotOfTheKindGiven) {
  TurningScene scene = small_scene();  // a mid grey
  const auto doubts = [&scene](BackdropKind kind) {
    const SurveyResult result =
        survey(survey_stations({8}, {}),
               [&](std::size_t k) { return scene.picture(static_cast<int>(k)).image; },
               std::nullopt, kind, {});
    return std::count_if(result.findings.begin(), result.findings.end(), [](const Finding& f) {
      return f.what.find("specimen.toml says") != std::string::npos;
    });
  };
  EXPECT_EQ(doubts(BackdropKind::grey), 0);
  EXPECT_EQ(doubts(BackdropKind::black), 1);
  EXPECT_EQ(doubts(BackdropKind::colour), 1);
}

// A bare backdrop with noise.
cv::Mat bare(std::size_t station) {
  cv::Mat image(250, 300, CV_16UC3, cv::Scalar::all(20000));
  cv::Mat noise(image.size(), CV_16SC3);
  cv::RNG random(1000 + station);
  random.fill(noise, cv::RNG::NORMAL, 0, 150);
  cv::add(image, noise, image, cv::noArray(), CV_16U);
  return image;
}

TEST(Survey, LooksNoFurtherThanDoubtReaches) {
  const std::vector<std::size_t> order = survey_stations({24}, {});
  const SurveyResult sure = survey(order, bare, std::nullopt, BackdropKind::automatic, {});
  std::vector<std::size_t> first(order.begin(), order.begin() + 8);
  std::sort(first.begin(), first.end());
  EXPECT_EQ(sure.images, first);

  // A specimen whose pattern could hide a speck.
  TurningScene scene = small_scene();
  scene.stations = 24;
  const SurveyResult doubtful =
      survey(order, [&](std::size_t k) { return scene.picture(static_cast<int>(k)).image; },
             std::nullopt, BackdropKind::automatic, {});
  EXPECT_EQ(doubtful.images.size(), 24U);
}

TEST(SurveyDoubts, EndWhereNothingIsLeftOrNothingEases) {
  EXPECT_FALSE(SurveyDoubts{}.any());
  EXPECT_TRUE(SurveyDoubts{.specks = 1}.any());
  EXPECT_TRUE(SurveyDoubts{.backdrop = 0.03}.any());
  EXPECT_TRUE(SurveyDoubts{.noise = 0.2}.any());
  EXPECT_FALSE((SurveyDoubts{.specks = 2}.eased_since({.specks = 2})));
  EXPECT_TRUE((SurveyDoubts{.specks = 1}.eased_since({.specks = 2})));
  // What is no doubt any more does not speak for going on.
  EXPECT_FALSE((SurveyDoubts{.specks = 2, .noise = 0.01}.eased_since({.specks = 2, .noise = 0.2})));
}

TEST(SurveyDoubts, BackdropThatOneStationShowedIsThin) {
  cv::Mat visible(10, 10, CV_32FC1, cv::Scalar(8));
  visible.rowRange(0, 2).setTo(0);
  visible.rowRange(2, 3).setTo(1);
  EXPECT_DOUBLE_EQ(thin_backdrop(visible, 8), 0.1);
}

TEST(SurveyDoubts, NoiseIsSettledWhereTheHalvesAgree) {
  std::vector<std::vector<NoiseSample>> noise(4);
  for (std::size_t k = 0; k < noise.size(); ++k) noise[k].assign(100, {100.0F, 4.0F});
  EXPECT_NEAR(unsettled_noise(noise, 255), 0.0, 1e-9);
  // Sigma 2 and 3.
  for (std::size_t k = 1; k < noise.size(); k += 2) noise[k].assign(100, {100.0F, 9.0F});
  EXPECT_NEAR(unsettled_noise(noise, 255), 1.0 / 3.0, 1e-6);
}

TEST(Survey, RefusesMixedSizes) {
  const ImageReader read = [](std::size_t k) {
    return cv::Mat(cv::Mat::zeros(80 + static_cast<int>(k), 100, CV_8UC3));
  };
  EXPECT_THROW(survey({0, 1}, read, std::nullopt, BackdropKind::automatic, {}), Error);
}

}  // namespace survey_test
}  // namespace trunnion::survey

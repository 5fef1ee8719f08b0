// Masks of the demo against its truth: all backdrops, both depths, two exposures, seeds that no
// constant was chosen on (those were chosen on seeds 1 to 3 and 11 to 23). The goals (0.990 in the
// mean, 0.980 in the worst image) are held at the demo's own size; at 720 px, where the outline is
// twice as large a share of the specimen, they are not held in front of black.
#include <gtest/gtest.h>

#include <cmath>
#include <iostream>
#include <opencv2/imgproc.hpp>

#include "core/image_io.h"
#include "stages/mask/mask.h"
#include "stages/repair/repair.h"
#include "stages/undistort/undistort.h"
#include "tests/support/boundary_f.h"
#include "tests/support/demo_at_720.h"
#include "tests/support/demo_backdrops.h"
#include "tests/support/demo_views.h"
#include "tests/support/dust_score.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace demo_masks_test {

// Intersection over union of the pixels covered by more than a half (Jaccard index; Perazzi et al.,
// "A benchmark dataset and evaluation methodology for video object segmentation", CVPR 2016).
double jaccard(const cv::Mat& a, const cv::Mat& b) {
  const cv::Mat in_a = a > 127;
  const cv::Mat in_b = b > 127;
  return static_cast<double>(cv::countNonZero(in_a & in_b)) / cv::countNonZero(in_a | in_b);
}

struct Score {
  double overlap = 0;
  double worst = 1;
  double boundary = 0;
  double bristles_kept = 0;
  double bristles = 0;
  int images = 0;
  void add(const cv::Mat& mask, const demo::RenderedView& truth) {
    const double here = jaccard(mask, truth.coverage);
    overlap_sum += here;
    worst = std::min(worst, here);
    boundary_sum += test::boundary_f(mask, truth.coverage);
    const cv::Mat thin = truth.bristles > 127;
    bristles_kept += cv::countNonZero(thin & (mask > 127));
    bristles += cv::countNonZero(thin);
    ++images;
    overlap = overlap_sum / images;
    boundary = boundary_sum / images;
  }

 private:
  double overlap_sum = 0;
  double boundary_sum = 0;
};

demo::DemoOptions demo_options(demo::BackdropShade backdrop, std::uint64_t seed) {
  demo::DemoOptions options;
  options.boards = false;
  options.stations = 6;  // a ring: every third of the default set
  options.backdrop = backdrop;
  options.seed = seed;
  return options;
}

// One rendering, several sensors.
struct Case {
  int bits;
  double exposure;
};

struct SeedCases {
  std::uint64_t seed;
  std::vector<Case> cases;
};

const std::vector<SeedCases>& all_cases() {
  static const std::vector<SeedCases> all{
      {4, {{16, 1.0}, {8, 0.7}}}, {5, {{16, 1.0}, {8, 1.0}}}, {6, {{16, 1.0}, {16, 0.7}}}};
  return all;
}

void print(const std::string& what, const Score& score) {
  std::cout << what << ": overlap " << score.overlap << ", worst " << score.worst << ", boundary F "
            << score.boundary << ", bristles kept " << score.bristles_kept / score.bristles << '\n';
}

// Views of `options`, exposed by the sensor of each case. With `dust` that of the first case and of
// a clean sensor is judged as well.
void run(demo::DemoOptions options, const std::vector<Case>& cases, Score& score,
         test::DustScore* dust = nullptr) {
  const std::vector<demo::RenderedView> views = test::rendered(demo::DemoSet(options));
  for (const Case& one : cases) {
    options.bits = one.bits;
    options.faults.exposure = one.exposure;
    const demo::DemoSet set(options);
    std::vector<cv::Mat> images = test::exposed(set, views);
    const SurveyResult result = test::survey_all(images);
    const bool judged = dust != nullptr && &one == &cases.front();
    if (judged) test::judge_dust(set, result.spots, *dust);
    Score here;
    for (std::size_t k = 0; k < views.size(); ++k) {
      repair::repair(images[k], result.spots, {});
      if (judged) {
        test::judge_repair(set, result.spots, images[k], set.fused(set.views()[k], views[k], true),
                           views[k].coverage, *dust);
      }
      const cv::Mat mask = mask::make_mask(images[k], result, {}, 0).coverage;
      here.add(mask, views[k]);
      score.add(mask, views[k]);
    }
    print(cv::format("seed %d, %d bit, exposure %.1f", static_cast<int>(options.seed), one.bits,
                     one.exposure),
          here);
  }
  if (dust == nullptr) return;
  options.bits = 16;
  options.faults.exposure = 1.0;
  options.faults.no_dust = true;
  const demo::DemoSet clean(options);
  dust->on_clean += static_cast<int>(test::survey_all(test::exposed(clean, views)).spots.size());
}

class DemoMasksBefore : public testing::TestWithParam<demo::BackdropShade> {};

TEST_P(DemoMasksBefore, SlowMeetTheGoalsAtTheDemosOwnSize) {
  Score score;
  for (const SeedCases& one : all_cases()) {
    run(demo_options(GetParam(), one.seed), one.cases, score);
  }
  print("all", score);
  EXPECT_GE(score.overlap, 0.990);
  EXPECT_GE(score.worst, 0.980);
  EXPECT_GE(score.boundary, 0.97);
  EXPECT_GE(score.bristles_kept / score.bristles, 0.90);
}

INSTANTIATE_TEST_SUITE_P(Backdrops, DemoMasksBefore, test::neutral_backdrops(),
                         test::backdrop_name);

// A floor under what is reached at 720 px, where the goals are missed in front of black.
TEST(DemoMasksAt720, SlowKeepWhatIsReachedWhichIsBelowTheGoalsBeforeBlack) {
  test::DustScore dust;
  // On black all colours differ from the backdrop in brightness alone, which light changes as well.
  struct Reached {
    demo::BackdropShade backdrop;
    double mean;
    double worst;
  };
  for (const Reached& reached : {Reached{demo::BackdropShade::black, 0.984, 0.977},
                                 Reached{demo::BackdropShade::grey, 0.993, 0.990},
                                 Reached{demo::BackdropShade::white, 0.994, 0.990}}) {
    Score score;
    for (const SeedCases& one : all_cases()) {
      run(test::demo_at_720(demo_options(reached.backdrop, one.seed)), one.cases, score, &dust);
    }
    print(cv::format("backdrop %d", static_cast<int>(reached.backdrop)), score);
    EXPECT_GE(score.overlap, reached.mean);
    EXPECT_GE(score.worst, reached.worst);
    EXPECT_GE(score.boundary, 0.97);
    EXPECT_GE(score.bristles_kept / score.bristles, 0.90);
  }
  const double recall = dust.recall();
  const double precision = dust.precision();
  const double error = dust.error();
  std::cout << "dust: recall " << recall << ", precision " << precision << ", repaired to " << error
            << " of the noise, found on clean sets " << dust.on_clean << '\n';
  // The goal is 0.95; specks before the specimen itself at every station drown in its texture.
  EXPECT_GE(recall, 0.94);
  EXPECT_GE(precision, 0.95);
  EXPECT_EQ(dust.on_clean, 0);
  EXPECT_LT(error, 1.5);
}

TEST(DemoMasksAt720, SlowMeetTheGoalsBeforeColouredBackdrops) {
  for (const demo::BackdropShade backdrop :
       {demo::BackdropShade::blue, demo::BackdropShade::green}) {
    Score score;
    test::DustScore dust;
    run(test::demo_at_720(demo_options(backdrop, 4)), {{16, 1.0}, {8, 0.7}}, score, &dust);
    print(cv::format("backdrop %d", static_cast<int>(backdrop)), score);
    EXPECT_GE(score.overlap, 0.994);
    EXPECT_GE(score.worst, 0.990);
    EXPECT_GE(score.boundary, 0.97);
    EXPECT_GE(score.bristles_kept / score.bristles, 0.90);
    EXPECT_EQ(dust.on_clean, 0);
  }
}

// The demo as shipped, from file to file.
TEST(DemoMasks, SlowMeetTheGoalsAsPrepareWritesThemAndNoStationIsInDoubt) {
  demo::DemoOptions options;
  options.boards = false;
  const test::SmallSet set(true, options);
  EXPECT_EQ(set.prepare().judgement.sentence,
            "Ready: all 36 stations are prepared and none is in doubt.");
  const CalibrationRecord record = read_record(set.root() / "truth/demo.calibration.json");
  const undistort::UndistortMap map = undistort::undistort_map(record.lens->camera, {});
  double sum = 0;
  double worst = 1;
  int count = 0;
  for (const auto& entry : std::filesystem::directory_iterator(set.prepared() / "masks")) {
    const cv::Mat truth = undistort::undistort_mask(
        read_image(set.root() / "truth/masks" / entry.path().filename()), map);
    const double here = jaccard(read_image(entry.path()), truth);
    sum += here;
    worst = std::min(worst, here);
    ++count;
  }
  ASSERT_EQ(count, 36);
  std::cout << "prepared: overlap " << sum / count << ", worst " << worst << '\n';
  EXPECT_GE(sum / count, 0.990);
  EXPECT_GE(worst, 0.980);
}

}  // namespace demo_masks_test
}  // namespace trunnion

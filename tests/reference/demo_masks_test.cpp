// Masks of the demo against its truth over the three backdrops, as prepare writes them.
#include <gtest/gtest.h>

#include <iostream>
#include <opencv2/core.hpp>

#include "core/image_io.h"
#include "stages/undistort.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace {

// Intersection over union of the pixels covered by more than a half (Jaccard index; Perazzi et al.,
// "A benchmark dataset and evaluation methodology for video object segmentation", CVPR 2016).
double overlap(const cv::Mat& a, const cv::Mat& b) {
  const cv::Mat in_a = a > 127;
  const cv::Mat in_b = b > 127;
  return static_cast<double>(cv::countNonZero(in_a & in_b)) / cv::countNonZero(in_a | in_b);
}

double mean_overlap(demo::BackdropShade backdrop) {
  demo::DemoOptions options;
  options.boards = false;
  options.backdrop = backdrop;
  const test::SmallSet set(true, options);
  set.add_settings("[refine]\nenabled = false");
  (void)set.prepare();
  const CalibrationRecord record = read_record(set.root() / "truth/demo.calibration.json");
  const UndistortMap map = undistort_map(record.lens->camera, {});
  double sum = 0;
  int count = 0;
  for (const auto& entry : std::filesystem::directory_iterator(set.prepared() / "masks")) {
    const cv::Mat truth =
        undistort_mask(read_image(set.root() / "truth/masks" / entry.path().filename()), map);
    sum += overlap(read_image(entry.path()), truth);
    ++count;
  }
  EXPECT_EQ(count, 36);
  return sum / count;
}

TEST(DemoMasks, SlowMeetTheTruthOnBlackGreyAndWhite) {
  double sum = 0;
  for (const auto backdrop :
       {demo::BackdropShade::black, demo::BackdropShade::grey, demo::BackdropShade::white}) {
    const double mean = mean_overlap(backdrop);
    std::cout << "backdrop " << static_cast<int>(backdrop) << ": mean overlap " << mean << '\n';
    sum += mean;
  }
  EXPECT_GE(sum / 3.0, 0.97);
}

}  // namespace
}  // namespace trunnion

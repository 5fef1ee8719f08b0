// The user's hand on the masks, through the whole of prepare.
#include <gtest/gtest.h>

#include <opencv2/core.hpp>

#include "core/image_io.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

TEST(PrepareMasks, PaintedMasksOverrideAndSurviveReRuns) {
  const test::SmallSet set;
  set.add_settings("[refine]\nenabled = false");
  (void)set.prepare();
  std::vector<fs::path> masks;
  for (const auto& entry : fs::directory_iterator(set.prepared() / "masks")) {
    masks.push_back(entry.path());
  }
  std::sort(masks.begin(), masks.end());
  ASSERT_EQ(masks.size(), 8U);
  const cv::Mat before = read_image(masks[0]);
  const cv::Mat other = read_image(masks[1]);
  cv::Mat add = cv::Mat::zeros(before.size(), CV_8U);
  add(cv::Rect(20, 20, 30, 20)).setTo(255);
  cv::Mat subtract = cv::Mat::zeros(before.size(), CV_8U);
  subtract(cv::Rect(110, 60, 20, 20)).setTo(255);
  const std::string name = masks[0].stem().string();
  const fs::path fused = set.workspace() / "fused";
  write_image(fused / (name + ".mask-add.png"), add, {.type = FileType::png});
  write_image(fused / (name + ".mask-subtract.png"), subtract, {.type = FileType::png});
  for (int run = 0; run < 2; ++run) {
    (void)set.prepare();
    const cv::Mat after = read_image(masks[0]);
    // Distortion moves the painted squares by less than a few pixels at this size.
    EXPECT_GE(cv::mean(after(cv::Rect(26, 26, 18, 8)))[0], 250) << run;
    EXPECT_LE(cv::mean(after(cv::Rect(115, 65, 10, 10)))[0], 5) << run;
    EXPECT_EQ(cv::norm(read_image(masks[1]), other, cv::NORM_INF), 0) << run;
  }
}

}  // namespace
}  // namespace trunnion

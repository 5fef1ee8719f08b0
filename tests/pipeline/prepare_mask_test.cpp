// The user's hand on the masks, through the whole of prepare.
#include <gtest/gtest.h>

#include <fstream>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>

#include "core/error.h"
#include "core/image_io.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace prepare_mask_test {

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

TEST(PrepareMasks, APaintedMaskIsReadOrRefusedForItselfAndNeverCostsThePhotograph) {
  const test::SmallSet set;
  set.add_settings("[refine]\nenabled = false");
  std::vector<fs::path> fused;
  for (const auto& entry : fs::directory_iterator(set.workspace() / "fused")) {
    fused.push_back(entry.path());
  }
  std::sort(fused.begin(), fused.end());
  const auto beside = [&](std::size_t station, const char* suffix) {
    return fused[station].parent_path() / (fused[station].stem().string() + suffix);
  };
  cv::Mat paint = cv::Mat::zeros(read_image(fused[0]).size(), CV_8U);
  paint(cv::Rect(20, 20, 30, 20)).setTo(255);
  cv::imwrite(beside(1, ".mask-add.png").string(), paint, {cv::IMWRITE_PNG_BILEVEL, 1});
  ASSERT_THROW(read_image(beside(1, ".mask-add.png")), Error) << "1 bit is no photograph";
  std::ofstream(beside(2, ".mask-subtract.png")) << "no picture";
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_prepared, 8);
  const fs::path mask = set.prepared() / "masks" / (fused[1].stem().string() + ".png");
  EXPECT_GE(cv::mean(read_image(mask)(cv::Rect(26, 26, 18, 8)))[0], 250);
  int refused = 0;
  for (const Finding& finding : outcome.findings) {
    EXPECT_NE(finding.severity, Severity::fault) << finding.what;
    if (finding.what.find("is not used") == std::string::npos) continue;
    ++refused;
    EXPECT_EQ(finding.severity, Severity::doubt);
    EXPECT_EQ(finding.file, "fused/" + fused[2].filename().string());
  }
  EXPECT_EQ(refused, 1);
}

}  // namespace prepare_mask_test
}  // namespace trunnion

#include "core/runs.h"

#include <gtest/gtest.h>

#include <map>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

// The reference is OpenCV's labelling of the same mask.
void expect_as_the_library(const cv::Mat& mask, Neighbours neighbours) {
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  const int count = cv::connectedComponentsWithStats(
      mask, labels, stats, centroids, neighbours == Neighbours::four ? 4 : 8, CV_32S);
  const Regions regions = regions_of(mask, neighbours);
  ASSERT_EQ(static_cast<int>(regions.areas.size()), count - 1);
  cv::Mat covered = cv::Mat::zeros(mask.size(), CV_8U);
  std::map<std::size_t, int> label_of;
  for (const Run& run : regions.runs) {
    const int label = labels.at<int>(run.y, run.begin);
    const int known = label_of.try_emplace(run.region, label).first->second;
    for (int x = run.begin; x < run.end; ++x) {
      ASSERT_EQ(labels.at<int>(run.y, x), known);
      covered.at<uchar>(run.y, x) = 255;
    }
    EXPECT_EQ(regions.areas[run.region], stats.at<int>(known, cv::CC_STAT_AREA));
  }
  EXPECT_EQ(cv::norm(covered, mask > 0, cv::NORM_INF), 0.0);
}

TEST(Runs, RegionsAreThoseOfTheLibrary) {
  cv::RNG random(7);
  for (const double share : {0.0, 0.02, 0.4, 0.55, 0.9, 1.0}) {
    for (const cv::Size size : {cv::Size(1, 1), cv::Size(7, 5), cv::Size(131, 67)}) {
      cv::Mat noise(size, CV_32F);
      random.fill(noise, cv::RNG::UNIFORM, 0.0, 1.0);
      const cv::Mat mask = noise < share;
      expect_as_the_library(mask, Neighbours::four);
      expect_as_the_library(mask, Neighbours::eight);
    }
  }
}

TEST(Runs, PaintsWantedRegionsOnly) {
  cv::Mat mask = cv::Mat::zeros(3, 20, CV_8U);
  mask(cv::Rect(1, 0, 4, 3)) = 255;
  mask(cv::Rect(9, 1, 11, 1)) = 255;
  const Regions regions = regions_of(mask, Neighbours::four);
  ASSERT_EQ(regions.areas.size(), 2U);
  EXPECT_EQ(regions.areas[0], 12);
  EXPECT_EQ(regions.areas[1], 11);
  paint(regions, {1, 0}, 0, mask);
  EXPECT_EQ(cv::countNonZero(mask), 11);
}

}  // namespace
}  // namespace trunnion

#include "core/runs.h"

#include <gtest/gtest.h>

#include <map>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace runs_test {

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

// A frame along all four borders, a comb that hangs on the last row, corners alone; widths about
// the eight pixels that are looked at together. A part of a larger mask ends where it ends.
TEST(Runs, RegionsAtTheBordersAreThoseOfTheLibrary) {
  for (const int width : {1, 2, 7, 8, 9, 15, 16, 17, 64}) {
    SCOPED_TRACE(width);
    const cv::Size size(width, 6);
    cv::Mat larger(8, width + 2, CV_8U, cv::Scalar(255));
    cv::Mat mask = larger(cv::Rect({1, 1}, size));
    const auto both = [&] {
      expect_as_the_library(mask, Neighbours::four);
      expect_as_the_library(mask, Neighbours::eight);
    };
    mask.setTo(0);
    cv::rectangle(mask, cv::Rect({0, 0}, size), cv::Scalar(255), 1);
    both();
    mask.setTo(0);
    for (int x = 0; x < width; x += 2) mask.col(x).setTo(255);
    both();
    mask.row(5).setTo(255);
    both();
    mask.setTo(0);
    for (const int x : {0, width - 1}) mask.at<uchar>(0, x) = mask.at<uchar>(5, x) = 255;
    both();
    // Right end of a row and left end of the next are no neighbours.
    mask.setTo(0);
    mask.at<uchar>(2, width - 1) = mask.at<uchar>(3, 0) = 255;
    both();
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

}  // namespace runs_test
}  // namespace trunnion

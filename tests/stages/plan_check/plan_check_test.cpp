#include "stages/plan_check/plan_check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion::plan_check {
namespace plan_check_test {

using testing::HasSubstr;

CapturePlan plan_of_ten() {
  CapturePlan plan;
  plan.width_mm = 8;
  plan.depth_mm = 6;
  plan.height_mm = 12;
  plan.chosen.setup = "macro";
  plan.chosen.f_number = 8;
  plan.chosen.pixel_um = 10;
  PlannedRing ring;
  ring.name = "low";
  ring.step = radians(36);
  for (int i = 0; i < 10; ++i) ring.stations.push_back({i, radians(36.0 * i), 6, 20, 3});
  plan.rings = {ring};
  return plan;
}

std::vector<ReturnedImage> as_planned() {
  std::vector<ReturnedImage> images;
  for (int i = 0; i < 10; ++i) {
    ReturnedImage image;
    image.file = "fused/low_" + std::to_string(i) + ".tif";
    image.ring = "low";
    image.station = i;
    image.stage_angle = radians(36.0 * i);
    image.coverage = MaskCoverage{.fraction = 0.2, .box_px = {100, 100, 600, 700}};
    images.push_back(image);
  }
  return images;
}

TEST(PlanCheck, ASetAsPlannedHasNoFindings) {
  for (const char* setup : {"", "macro", "macro-f8"}) {
    EXPECT_TRUE(compare_with_plan(plan_of_ten(), setup, as_planned()).empty()) << setup;
  }
}

Finding only_finding(const std::vector<ReturnedImage>& images, const char* setup = "macro") {
  const Findings findings = compare_with_plan(plan_of_ten(), setup, images);
  EXPECT_EQ(findings.size(), 1U);
  return findings.empty() ? Finding{} : findings.front();
}

TEST(PlanCheck, NamesMissingStationsAsRanges) {
  auto images = as_planned();
  images.erase(images.begin() + 4, images.begin() + 7);
  images.erase(images.begin() + 1);
  const Finding finding = only_finding(images);
  EXPECT_EQ(finding.severity, Severity::fault);
  EXPECT_EQ(finding.what, "Ring low: 4 of 10 planned stations are missing: 1, 4 to 6.");
}

TEST(PlanCheck, NamesDoubledAndUnplannedStationsAndRings) {
  auto images = as_planned();
  images.push_back(images.back());
  EXPECT_THAT(only_finding(images).what, HasSubstr("2 images of station 9"));
  images = as_planned();
  images.push_back(images.back());
  images.back().station = 12;
  EXPECT_THAT(only_finding(images).what, HasSubstr("not planned: 12"));
  images.back().ring = "top";
  EXPECT_THAT(only_finding(images).what, HasSubstr("Ring top (1 stations) was not planned"));
  EXPECT_THAT(only_finding(as_planned(), "other").what, HasSubstr("planned was macro"));
}

TEST(PlanCheck, AnglesAreComparedAroundTheCircle) {
  auto images = as_planned();
  images[3].stage_angle += radians(360.2);
  EXPECT_TRUE(compare_with_plan(plan_of_ten(), "macro", images).empty());
  images[3].stage_angle = radians(108 + 2.5);
  EXPECT_THAT(only_finding(images).what, HasSubstr("+2.50 deg from the plan"));
}

TEST(PlanCheck, FindsCutLostAndLargerSpecimens) {
  auto images = as_planned();
  images[5].coverage->touches_left = true;
  images[5].coverage->touches_bottom = true;  // the mount
  EXPECT_THAT(only_finding(images).what, HasSubstr("cut off at the left of the frame"));
  images = as_planned();
  images[5].coverage->fraction = 0.001;
  EXPECT_EQ(only_finding(images).severity, Severity::fault);
  images = as_planned();
  images[0].coverage->box_px.width = 1000;  // 10 mm seen, 8 mm planned
  EXPECT_THAT(only_finding(images).what, HasSubstr("10 mm wide here; 8 mm were planned"));
}

TEST(PlanCheck, WhatWasNotMeasuredIsNotJudged) {
  auto images = as_planned();
  for (ReturnedImage& image : images) {
    image.coverage.reset();
  }
  EXPECT_TRUE(compare_with_plan(plan_of_ten(), "macro", images).empty());
}

TEST(PlanCheck, CoverageOfAMask) {
  cv::Mat mask = cv::Mat::zeros(100, 200, CV_8U);
  EXPECT_EQ(coverage_of(mask).fraction, 0.0);
  cv::rectangle(mask, {0, 40, 50, 60}, cv::Scalar(255), cv::FILLED);
  const MaskCoverage coverage = coverage_of(mask);
  EXPECT_DOUBLE_EQ(coverage.fraction, 50.0 * 60 / (100 * 200));
  EXPECT_TRUE(coverage.touches_left);
  EXPECT_TRUE(coverage.touches_bottom);
  EXPECT_FALSE(coverage.touches_right);
  EXPECT_FALSE(coverage.touches_top);
  EXPECT_THROW(coverage_of(cv::Mat::zeros(2, 2, CV_16U)), Error);
}

}  // namespace plan_check_test
}  // namespace trunnion::plan_check

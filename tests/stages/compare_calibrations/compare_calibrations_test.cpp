#include "stages/compare_calibrations/compare_calibrations.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion::compare_calibrations {
namespace compare_calibrations_test {

// M. Abramowitz, I. A. Stegun, "Handbook of Mathematical Functions", 1964, table 26.8, percentage
// points of chi-square (from memory; the values stand in every table of the distribution).
TEST(CompareCalibrations, TailOfChiSquareIsThatOfTheTables) {
  EXPECT_NEAR(chi_square_tail(3.84146, 1), 0.05, 1e-6);
  EXPECT_NEAR(chi_square_tail(5.99146, 2), 0.05, 1e-6);
  EXPECT_NEAR(chi_square_tail(16.9190, 9), 0.05, 1e-6);
  EXPECT_NEAR(chi_square_tail(11.0705, 5), 0.05, 1e-6);
  EXPECT_NEAR(chi_square_tail(20.5150, 5), 0.001, 1e-7);
  EXPECT_NEAR(chi_square_tail(0.554300, 5), 0.99, 1e-6);
  // Two degrees of freedom: exp(-x / 2).
  EXPECT_NEAR(chi_square_tail(40.0, 2) / std::exp(-20.0), 1.0, 1e-9);
  EXPECT_EQ(chi_square_tail(0.0, 3), 1.0);
}

CalibrationRecord record() {
  CalibrationRecord record;
  LensCalibration lens;
  lens.camera = {Projection::perspective,   6000, 4000, 50000, 50000, 2999.5, 1999.5,
                 {-2.0, 0.0, 0.0, 0.0, 0.0}};
  lens.covariance.diagonal() << 2500, 2500, 25, 25, 0.01, 0, 0, 0, 0;
  lens.covariance(0, 1) = lens.covariance(1, 0) = 2500;  // square pixels
  record.lens = lens;
  AxisCalibration axis;
  RingAxis ring;
  ring.ring = "low";
  ring.axis = nominal_axis(200.0, radians(20.0));
  ring.covariance.diagonal() << 1e-10, 1e-10, 1e-6, 1e-6, 1e-2;
  axis.rings = {ring};
  record.axis = axis;
  return record;
}

// As repeated measurements of one setup scatter.
CalibrationRecord scattered(std::mt19937& random) {
  std::normal_distribution<double> normal;
  CalibrationRecord result = record();
  Camera& camera = result.lens->camera;
  camera.fx += 50.0 * normal(random);
  camera.fy = camera.fx;
  camera.cx += 5.0 * normal(random);
  camera.cy += 5.0 * normal(random);
  camera.distortion[0] += 0.1 * normal(random);
  Axis& axis = result.axis->rings[0].axis;
  const Eigen::Matrix3d stage = camera_from_stage(axis).R;
  const Eigen::Vector3d turn =
      1e-5 * (normal(random) * stage.col(0) + normal(random) * stage.col(1));
  axis.direction = (axis.direction + turn.cross(axis.direction)).normalized();
  axis.origin_mm +=
      Eigen::Vector3d(1e-3 * normal(random), 1e-3 * normal(random), 0.1 * normal(random));
  return result;
}

TEST(CompareCalibrations, AnUnchangedSetupIsSeldomSaidToHaveMoved) {
  std::mt19937 random(3);
  int moved = 0;
  int below_five = 0;
  constexpr int kPairs = 400;
  for (int i = 0; i < kPairs; ++i) {
    const Comparison c = compare_calibrations(scattered(random), scattered(random));
    ASSERT_EQ(c.groups.size(), 2U);
    EXPECT_EQ(c.groups[0].freedom, 4);  // fx = fy, cx, cy, k1
    EXPECT_EQ(c.groups[1].freedom, 5);
    moved += c.moved ? 1 : 0;
    below_five += c.groups[0].probability < 0.05 ? 1 : 0;
  }
  EXPECT_LE(moved, 4);  // 0.8 expected
  // The probability is uniform where nothing moved: 20 expected, sigma 4.4.
  EXPECT_GE(below_five, 6);
  EXPECT_LE(below_five, 36);
}

TEST(CompareCalibrations, WhatMovedIsNamedWithItsPixels) {
  CalibrationRecord now = record();
  now.axis->rings[0].axis.origin_mm.x() += 0.02;  // 14 sigmas
  Comparison c = compare_calibrations(record(), now);
  EXPECT_TRUE(c.moved);
  EXPECT_FALSE(c.groups[0].moved);
  EXPECT_TRUE(c.groups[1].moved);
  EXPECT_NE(c.verdict.find("axis of ring low"), std::string::npos) << c.verdict;
  EXPECT_NEAR(c.groups[1].changes[2].sigmas, 0.02 / std::sqrt(2e-6), 1e-6);
  EXPECT_NEAR(c.ray.rms_px, 0.0, 1e-9);
  // The principal point moved by 40 px: every ray's image does, and an orientation takes it up.
  now = record();
  now.lens->camera.cx += 40.0;
  c = compare_calibrations(record(), now);
  EXPECT_TRUE(c.groups[0].moved);
  EXPECT_NEAR(c.ray.rms_px, 40.0, 1e-6);
  EXPECT_NEAR(c.ray.largest_px, 40.0, 1e-6);
  EXPECT_NEAR(c.shape.rms_px, 0.0, 1e-6);
  EXPECT_GT(c.ray.expected_rms_px, 5.0);
  ASSERT_EQ(c.findings.size(), 1U);
}

TEST(CompareCalibrations, RecordsWithNothingInCommonAreRefused) {
  CalibrationRecord lens = record();
  lens.axis.reset();
  CalibrationRecord axis = record();
  axis.lens.reset();
  EXPECT_THROW(compare_calibrations(lens, axis), Error);
  CalibrationRecord other = record();
  other.lens->camera.width_px = 3000;
  EXPECT_THROW(compare_calibrations(record(), other), Error);
}

}  // namespace compare_calibrations_test
}  // namespace trunnion::compare_calibrations

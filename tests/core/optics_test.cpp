#include "core/optics.h"

#include <gtest/gtest.h>

#include <cmath>

namespace trunnion {
namespace optics_test {

TEST(Optics, ConverterMultipliesMagnificationAndWorkingFNumber) {
  const ImagingPoint bare = photographic_point(5.6, 1.0, 0.8);
  const ImagingPoint converted = photographic_point(5.6, 1.0, 0.8, 2.0);
  EXPECT_DOUBLE_EQ(converted.magnification, 2.0);
  EXPECT_DOUBLE_EQ(converted.working_f_number(), 2 * bare.working_f_number());
  // What stands before the converter keeps its cone of light.
  EXPECT_DOUBLE_EQ(converted.numerical_aperture, bare.numerical_aperture);
}

TEST(Optics, ObjectiveOnAShorterTubeMagnifiesLess) {
  EXPECT_DOUBLE_EQ(objective_magnification(10, 200, 100), 5);
  EXPECT_DOUBLE_EQ(objective_magnification(10, 200, 200), 10);
}

// A photographic lens and an objective of the same magnification and cone are the same thing.
TEST(Optics, LensAndObjectiveAgree) {
  const ImagingPoint lens = photographic_point(8, 1);
  EXPECT_DOUBLE_EQ(lens.numerical_aperture, 0.03125);
  const ImagingPoint objective{.magnification = 1, .numerical_aperture = 0.03125};
  EXPECT_DOUBLE_EQ(depth_of_field_mm(lens, 20), depth_of_field_mm(objective, 20));
  EXPECT_NEAR(wave_depth_mm(lens), 0.5632, 1e-9);
  EXPECT_NEAR(geometric_depth_mm(lens, 20), 0.640, 1e-9);
}

// At the limits of the geometric depth the blur disc on the sensor has the permitted diameter:
// tracing the cone of light gives it without the depth formula.
TEST(Optics, BlurAtTheDepthLimitsIsThePermittedBlur) {
  const ImagingPoint point = photographic_point(5.6, 0.5, 1.3);
  const double half = 0.5 * geometric_depth_mm(point, 20);
  EXPECT_NEAR(defocus_blur_um(point, half) * point.magnification, 20, 1e-9);
}

TEST(Optics, BudgetReachesTheDetailExactly) {
  const ImagingPoint point = photographic_point(5.6, 1);
  const double budget = blur_budget_um(point, 4, 20);
  ASSERT_GT(budget, 0);
  const double depth = depth_of_field_mm(point, budget * point.magnification);
  EXPECT_NEAR(resolution(point, 4, depth).total_um(), 20, 1e-9);
  EXPECT_LT(blur_budget_um(point, 4, 8), 0);
}

TEST(Optics, SlicesCloserThanTheWaveDepthLoseNothing) {
  const ImagingPoint point{.magnification = 10, .numerical_aperture = 0.25};
  const Resolution fine = resolution(point, 4, 0.9 * wave_depth_mm(point));
  EXPECT_EQ(fine.defocus_um, 0);
  EXPECT_DOUBLE_EQ(fine.total_um(), fine.focused_um());
}

TEST(Optics, DepthOnTheSensorGrowsWithTheSquareOfMagnification) {
  const ImagingPoint point{.magnification = 4, .numerical_aperture = 0.1};
  EXPECT_NEAR(image_depth_mm(point, 0), 16 * 0.055, 1e-12);
}

TEST(Optics, SmallPupilMagnificationApproachesTelecentric) {
  EXPECT_GT(pupil_to_object_mm(100, 1, 1e-6), 1e7);
  EXPECT_NEAR(telecentricity(36, 1, pupil_to_object_mm(100, 1, 1e-6)).field_angle, 0, 1e-5);
  EXPECT_DOUBLE_EQ(pupil_to_sensor_mm(100, 1, 1), 200);
}

TEST(Optics, AWholeNumberOfStepsCostsNoExtraSlice) {
  EXPECT_EQ(slices_for_depth(0.3, 0.1), 4);
  EXPECT_EQ(slices_for_depth(0.31, 0.1), 5);
  EXPECT_EQ(slices_for_depth(0.0, 0.1), 1);
}

}  // namespace optics_test
}  // namespace trunnion

// Optics against numbers that stand outside the project. Each check names its source; where a
// number is arithmetic on the same formula, it says so and counts as a check of arithmetic only.
#include <gtest/gtest.h>

#include <array>
#include <cmath>

#include "core/angle.h"
#include "core/optics.h"

namespace trunnion {
namespace optics_published_test {

constexpr double kTwoPercent = 0.02;

// Within 2 % or half a unit of the last digit printed, whichever is wider.
void expect_as_printed(double value, double printed, double last_digit) {
  EXPECT_NEAR(value, printed, std::max(kTwoPercent * printed, 0.5000001 * last_digit));
}

ImagingPoint objective(double magnification, double aperture, double wavelength_um = 0.55) {
  return {.magnification = magnification,
          .numerical_aperture = aperture,
          .wavelength_um = wavelength_um};
}

// Source: table of lambda/NA^2 at 550 nm, photomacrography.net, topic 22855 (forum, not
// peer-reviewed): total depth for a quarter wave of defocus at each limit.
TEST(OpticsPublished, WaveDepthOfObjectives) {
  struct Row {
    double aperture, depth_um, last_digit;
  };
  constexpr std::array<Row, 13> rows{{{0.10, 55.0, 0.1},
                                      {0.14, 28.1, 0.1},
                                      {0.15, 24.4, 0.1},
                                      {0.20, 13.8, 0.1},
                                      {0.21, 12.5, 0.1},
                                      {0.25, 8.80, 0.01},
                                      {0.28, 7.02, 0.01},
                                      {0.40, 3.44, 0.01},
                                      {0.42, 3.12, 0.01},
                                      {0.50, 2.20, 0.01},
                                      {0.55, 1.82, 0.01},
                                      {0.65, 1.30, 0.01},
                                      {0.75, 0.98, 0.01}}};
  for (const Row& row : rows) {
    expect_as_printed(1000 * wave_depth_mm(objective(10, row.aperture)), row.depth_um,
                      row.last_digit);
  }
}

// Source: mcb.arizona.edu/IPC/depth_of_field.htm, at 520 nm: 4x/0.13 60.95 um, 10x/0.45 5.09 um,
// 20x/0.75 1.83 um. Its convention Z = 2 lambda n / NA^2 is twice ours, which is stated in the
// header; the page's own formula gives 61.5, 5.14 and 1.85, within 1 % of its table.
TEST(OpticsPublished, TwiceOurDepthInTheOtherConvention) {
  EXPECT_NEAR(2000 * wave_depth_mm(objective(4, 0.13, 0.52)), 60.95, kTwoPercent * 60.95);
  EXPECT_NEAR(2000 * wave_depth_mm(objective(10, 0.45, 0.52)), 5.09, kTwoPercent * 5.09);
  EXPECT_NEAR(2000 * wave_depth_mm(objective(20, 0.75, 0.52)), 1.83, kTwoPercent * 1.83);
}

// Formula d = lambda n / NA^2 + n e / (M NA), with e from 4 to 24 um. Source of the wave term: D.
// B. Murphy, M. W. Davidson, "Fundamentals of Light Microscopy and Electronic Imaging", 2nd ed.
// 2013 (from memory); the second term follows from similar triangles. The numbers are arithmetic on
// it (derived), not a second source.
TEST(OpticsPublished, TotalDepthOfObjectives) {
  struct Row {
    double magnification, aperture;
    std::array<double, 4> depth_um;  // e = 0, 4, 6.5, 24 um
  };
  constexpr std::array<double, 4> blur_um{0, 4, 6.5, 24};
  constexpr std::array<Row, 4> rows{{{4, 0.10, {55.000, 65.000, 71.250, 115.000}},
                                     {10, 0.25, {8.800, 10.400, 11.400, 18.400}},
                                     {20, 0.40, {3.437, 3.937, 4.250, 6.438}},
                                     {40, 0.65, {1.302, 1.456, 1.552, 2.225}}}};
  for (const Row& row : rows) {
    for (std::size_t i = 0; i < blur_um.size(); ++i) {
      const double depth =
          depth_of_field_mm(objective(row.magnification, row.aperture), blur_um.at(i));
      EXPECT_NEAR(1000 * depth, row.depth_um.at(i), 0.001);
    }
  }
}

// Formula sources: bellows factor 1 + m/p as on photography.grayheron.net (2021-08-25) after J.
// Conrad, "Depth of Field in Depth" (2006), whose T = 2 N c (1 + m/p) / m^2 is quoted from memory.
// The table is arithmetic on these (derived). N, m, Nw, Airy um, depth mm at c = 30, 20, 10, 5 um.
TEST(OpticsPublished, CloseUpDepthOfSymmetricLenses) {
  struct Row {
    double m, n, working, airy_um;
    std::array<double, 4> depth_mm;
  };
  constexpr std::array<double, 4> blur_um{30, 20, 10, 5};
  constexpr std::array<Row, 9> rows{{{0.25, 8, 10.00, 13.42, {9.600, 6.400, 3.200, 1.600}},
                                     {0.5, 5.6, 8.40, 11.27, {2.016, 1.344, 0.672, 0.336}},
                                     {0.5, 8, 12.00, 16.10, {2.880, 1.920, 0.960, 0.480}},
                                     {1, 5.6, 11.20, 15.03, {0.672, 0.448, 0.224, 0.112}},
                                     {1, 8, 16.00, 21.47, {0.960, 0.640, 0.320, 0.160}},
                                     {1, 11, 22.00, 29.52, {1.320, 0.880, 0.440, 0.220}},
                                     {2, 5.6, 16.80, 22.55, {0.252, 0.168, 0.084, 0.042}},
                                     {2, 8, 24.00, 32.21, {0.360, 0.240, 0.120, 0.060}},
                                     {5, 5.6, 33.60, 45.09, {0.0806, 0.0538, 0.0269, 0.0134}}}};
  for (const Row& row : rows) {
    const ImagingPoint point = photographic_point(row.n, row.m);
    EXPECT_NEAR(point.working_f_number(), row.working, 0.005);
    EXPECT_NEAR(airy_diameter_um(point), row.airy_um, 0.005);
    for (std::size_t i = 0; i < blur_um.size(); ++i) {
      EXPECT_NEAR(geometric_depth_mm(point, blur_um.at(i)), row.depth_mm.at(i),
                  row.m == 5 ? 0.00005001 : 0.000501);
    }
  }
}

// The same formulas for other pupil magnifications, N = 8, c = 20 um (derived arithmetic): depth mm
// and working f-number at m = 0.5, 1, 2.
TEST(OpticsPublished, CloseUpDepthOfAsymmetricLenses) {
  struct Row {
    double p;
    std::array<double, 3> depth_mm, working;
  };
  constexpr std::array<double, 3> magnifications{0.5, 1, 2};
  constexpr std::array<Row, 5> rows{{{0.5, {2.560, 0.960, 0.400}, {16.00, 24.00, 40.00}},
                                     {0.7, {2.194, 0.777, 0.309}, {13.71, 19.43, 30.86}},
                                     {1.0, {1.920, 0.640, 0.240}, {12.00, 16.00, 24.00}},
                                     {1.4, {1.737, 0.549, 0.194}, {10.86, 13.71, 19.43}},
                                     {2.0, {1.600, 0.480, 0.160}, {10.00, 12.00, 16.00}}}};
  for (const Row& row : rows) {
    for (std::size_t i = 0; i < magnifications.size(); ++i) {
      const ImagingPoint point = photographic_point(8, magnifications.at(i), row.p);
      EXPECT_NEAR(point.working_f_number(), row.working.at(i), 0.005);
      EXPECT_NEAR(geometric_depth_mm(point, 20), row.depth_mm.at(i), 0.000501);
    }
  }
}

// Source: photography.grayheron.net (2021-08-19): depth of an asymmetric lens over that of a
// symmetric one is (m + p) / (p (m + 1)). A relation stated independently of the formulas above.
TEST(OpticsPublished, AsymmetryChangesDepthAsPublished) {
  for (const double m : {0.1, 0.5, 1.0, 2.0, 5.0}) {
    for (const double p : {0.5, 0.7, 1.4, 2.0}) {
      const double ratio = geometric_depth_mm(photographic_point(8, m, p), 20) /
                           geometric_depth_mm(photographic_point(8, m, 1), 20);
      EXPECT_NEAR(ratio, (m + p) / (p * (m + 1)), 1e-12);
    }
  }
}

// Source: D. L. Geiger, "Considerations and limits of z-stacking in macrophotography": the marked
// f-number must stay below 32 / (m + 1), which keeps the working f-number at 32.
TEST(OpticsPublished, OptimumApertureRuleMeansWorkingThirtyTwo) {
  for (const double m : {0.5, 1.0, 2.0, 5.0}) {
    EXPECT_NEAR(working_f_number(32 / (m + 1), m), 32, 1e-12);
  }
}

// Derived: 36 mm sensor, f = 100 mm, p = 1: field angles 13.7, 10.3, 6.9 deg at m = 0.5, 1, 2;
// pupil to object f (1 + 1/m) for p = 1.
TEST(OpticsPublished, FieldAngles) {
  constexpr std::array<std::array<double, 2>, 3> rows{{{0.5, 13.7}, {1, 10.3}, {2, 6.9}}};
  for (const auto& [m, angle_deg] : rows) {
    const double distance = pupil_to_object_mm(100, m);
    EXPECT_NEAR(distance, 100 * (1 + 1 / m), 1e-9);
    EXPECT_NEAR(degrees(telecentricity(36, m, distance).field_angle), angle_deg, 0.05);
  }
}

// Derived from n = ceil(depth / (T (1 - overlap))) + 1: m = 1, N = 5.6, c = 10 um gives T = 0.224
// mm; an overlap of a quarter makes steps of 0.168 mm and 61 slices over 10 mm.
TEST(OpticsPublished, SlicesOfTheWorkedExample) {
  const double depth = geometric_depth_mm(photographic_point(5.6, 1), 10);
  EXPECT_NEAR(depth, 0.224, 0.0005);
  EXPECT_NEAR(0.75 * depth, 0.168, 0.0005);
  EXPECT_EQ(slices_for_depth(10, 0.75 * depth), 61);
}

}  // namespace optics_published_test
}  // namespace trunnion

#include "stages/plan/clearance.h"

#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <cmath>

#include "core/angle.h"

namespace trunnion::plan {
namespace clearance_test {

using Eigen::Vector3d;

double to_cylinder(const Vector3d& p, double radius, double half) {
  const double out = std::max(0.0, std::hypot(p.x(), p.y()) - radius);
  return std::hypot(out, std::max(0.0, std::abs(p.z()) - half));
}

// The disc in space, point by point on circles about its centre, refined about the nearest one.
double by_points(const LensFront& front, double swept, double height, double elevation,
                 double last) {
  const Vector3d towards(std::cos(elevation), 0, std::sin(elevation));
  const Vector3d up(-std::sin(elevation), 0, std::cos(elevation));
  const Vector3d side(0, 1, 0);
  const Vector3d centre = (last + front.free_distance_mm) * towards;
  double best_r = 0;
  double best_a = 0;
  double least = 1e9;
  double reach_r = 0.25 * front.diameter_mm;
  double reach_a = kPi;
  best_r = reach_r;
  for (int round = 0; round < 6; ++round) {
    const double r0 = best_r;
    const double a0 = best_a;
    for (int i = -40; i <= 40; ++i) {
      for (int k = -90; k <= 90; ++k) {
        const double r = std::clamp(r0 + reach_r * i / 40, 0.0, 0.5 * front.diameter_mm);
        const double a = a0 + reach_a * k / 90;
        const Vector3d p = centre + r * (std::cos(a) * up + std::sin(a) * side);
        const double d = to_cylinder(p, 0.5 * swept, 0.5 * height);
        if (d < least) {
          least = d;
          best_r = r;
          best_a = a;
        }
      }
    }
    reach_r /= 8;
    reach_a /= 8;
  }
  return least;
}

// Within 0.05 mm of geometry computed apart.
TEST(Clearance, AgreesWithPointsOfTheDiscInSpace) {
  for (const double elevation_deg : {0.0, 25.0, 50.0, 85.0, -20.0}) {
    for (const double diameter : {20.0, 62.0}) {
      for (const double distance : {12.0, 35.0, 120.0}) {
        for (const double last : {-9.0, 0.0}) {
          const LensFront front{diameter, distance};
          const double e = radians(elevation_deg);
          EXPECT_NEAR(clearance_mm(front, 18, 12, e, last), by_points(front, 18, 12, e, last), 0.05)
              << elevation_deg << " " << diameter << " " << distance << " " << last;
        }
      }
    }
  }
}

TEST(Clearance, ALevelLensStandsItsDistanceLessTheRadiusAway) {
  EXPECT_NEAR(clearance_mm({30, 40}, 18, 12, 0, 0), 40 - 9, 1e-12);
  EXPECT_NEAR(clearance_mm({30, 40}, 18, 12, 0, -9), 40 - 18, 1e-12);
  EXPECT_EQ(clearance_mm({30, 15}, 18, 12, 0, -9), 0);
}

}  // namespace clearance_test
}  // namespace trunnion::plan

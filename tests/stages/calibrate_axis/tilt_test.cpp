// The second axis from a board that is tilted between rings; rings kept from an earlier record.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "stages/calibrate_axis/calibrate_axis.h"
#include "tests/support/axis_board.h"

namespace trunnion::calibrate_axis {
namespace tilt_test {

using test::AxisScene;
using test::simulate_axis;
using test::SimulatedAxis;
using testing::HasSubstr;

const TiltAxis kSecond{TiltKind::specimen, radians(88.0), radians(-1.5), 0.7, -0.5};

struct TiltedBoards {
  AxisRequest request;
  Axis truth;
  TiltAxis second;
};

// Rings at the given tilts, all given exactly but for half a degree.
TiltedBoards tilted_boards(const std::vector<double>& tilts_deg, TiltKind kind, unsigned seed,
                           double given_off_deg = 0.4) {
  TiltedBoards set;
  set.second = kSecond;
  set.second.kind = kind;
  for (std::size_t r = 0; r < tilts_deg.size(); ++r) {
    AxisScene scene;
    scene.stations = 7;
    scene.spread = radians(70.0);
    scene.tilt = {set.second, radians(tilts_deg[r]), TiltCovariance::Zero()};
    const SimulatedAxis ring = simulate_axis(scene, 100 * seed + static_cast<unsigned>(r));
    if (r == 0) {
      set.request = ring.request;
      set.request.rings.clear();
      set.request.elevations.clear();
      set.request.sightings.clear();
      set.truth = ring.truth;
    }
    set.request.rings.push_back(fmt::format("ring{}", r));
    set.request.elevations.push_back(radians(25.0));
    const bool level = tilts_deg[r] == 0.0;
    set.request.tilts.push_back(radians(tilts_deg[r] + (level ? 0.0 : given_off_deg)));
    for (AxisSighting sighting : ring.request.sightings) {
      sighting.ring = r;
      sighting.name = fmt::format("ring{}_{}", r, sighting.name);
      set.request.sightings.push_back(sighting);
    }
  }
  set.request.tilt_kind = kind;
  return set;
}

class AxisTilts : public testing::TestWithParam<TiltKind> {};

TEST_P(AxisTilts, SecondAxisAndTiltsAreFound) {
  double worst_direction = 0;
  double worst_place = 0;
  double worst_tilt = 0;
  for (unsigned seed = 1; seed <= 4; ++seed) {
    const TiltedBoards set = tilted_boards({0.0, 15.0, -12.0}, GetParam(), seed);
    const AxisResult result = calibrate_axis(set.request, {.sigma_angle = radians(0.01)});
    ASSERT_TRUE(result.accepted) << result.sentence;
    ASSERT_EQ(result.calibration.rings.size(), 3U);
    const RingAxis& ring = result.calibration.rings[1];
    const TiltAxis& second = ring.tilt.axis;
    worst_direction = std::max({worst_direction, std::abs(second.azimuth - set.second.azimuth),
                                std::abs(second.inclination - set.second.inclination)});
    worst_tilt = std::max({worst_tilt, std::abs(ring.tilt.angle - radians(15.0)),
                           std::abs(result.calibration.rings[2].tilt.angle - radians(-12.0))});
    // The found origin may lie elsewhere along the turning axis (the gauge): the height follows it.
    const Axis& axis = ring.axis;
    const double along = (axis.origin_mm - set.truth.origin_mm).dot(set.truth.direction);
    worst_place = std::max({worst_place, std::abs(second.across_mm - set.second.across_mm),
                            std::abs(second.height_mm + along - set.second.height_mm)});
    // Sigmas of the size of the errors.
    EXPECT_LE(std::abs(ring.tilt.angle - radians(15.0)),
              4.0 * std::sqrt(ring.tilt.covariance(4, 4)));
    EXPECT_LE(std::abs(second.azimuth - set.second.azimuth),
              4.0 * std::sqrt(ring.tilt.covariance(0, 0)));
    // Poses of the tilted board's stage against the truth.
    const Tilt truth{set.second, radians(15.0), TiltCovariance::Zero()};
    const Pose expected = pose_at(set.truth, radians(20.0), false, truth);
    const Pose found = pose_at(axis, radians(20.0), false, ring.tilt);
    EXPECT_LE(degrees(rotation_angle_between(found.R, expected.R)), 0.01);
  }
  fmt::print("worst direction {:.4f} degrees, place {:.2f} um, tilt {:.4f} degrees\n",
             degrees(worst_direction), 1000.0 * worst_place, degrees(worst_tilt));
  EXPECT_LE(degrees(worst_direction), 0.05);
  EXPECT_LE(worst_place, 0.01);
  EXPECT_LE(degrees(worst_tilt), 0.01);
}

INSTANTIATE_TEST_SUITE_P(Carried, AxisTilts, testing::Values(TiltKind::specimen, TiltKind::stage),
                         [](const auto& kind) {
                           return kind.param == TiltKind::stage ? std::string("Stage")
                                                                : std::string("Specimen");
                         });

TEST(CalibrateAxisTilt, NamesTiltsThatMakeNoSense) {
  // The other way than given.
  TiltedBoards turned = tilted_boards({0.0, 15.0}, TiltKind::specimen, 5);
  turned.request.tilts[1] = radians(-15.0);
  const AxisResult other = calibrate_axis(turned.request, {.sigma_angle = radians(0.01)});
  EXPECT_EQ(other.fault, AxisFault::wrong_tilt);
  EXPECT_THAT(other.sentence, HasSubstr("was tilted by 15.0"));
  // Too little to show an axis.
  const TiltedBoards hardly = tilted_boards({0.0, 1.0}, TiltKind::specimen, 6);
  const AxisResult small = calibrate_axis(hardly.request, {.sigma_angle = radians(0.01)});
  EXPECT_EQ(small.fault, AxisFault::wrong_tilt);
  EXPECT_THAT(small.sentence, HasSubstr("too little to determine the second axis"));
  // Degenerate: the "tilt" is a turn about the turning axis, as a stage angle given wrongly makes.
  TiltedBoards level = tilted_boards({0.0, 0.0}, TiltKind::specimen, 7);
  level.request.tilts[1] = radians(15.0);
  const AxisResult none = calibrate_axis(level.request, {.sigma_angle = radians(0.01)});
  EXPECT_EQ(none.fault, AxisFault::wrong_tilt);
  EXPECT_THAT(none.sentence, HasSubstr("a tilt needs another axis"));
}

RingAxis ring_at(const std::string& name, double elevation_deg, double azimuth_deg) {
  RingAxis ring;
  ring.ring = name;
  ring.elevation = radians(elevation_deg);
  ring.axis = nominal_axis(200.0, ring.elevation);
  ring.azimuth = radians(azimuth_deg);
  return ring;
}

TEST(CalibrateAxisKeeps, RingsThatWereNotCalibratedAgain) {
  AxisCalibration before;
  before.rings = {ring_at("low", 10, 0), ring_at("mid", 25, 1.5), ring_at("high", 40, -1.0)};
  before.sigma_angle = radians(0.02);
  before.provenance.date = "2024-05-01T10:00:00Z";
  AxisCalibration now;
  now.rings = {ring_at("mid", 26, 0)};
  now.sigma_angle = radians(0.01);
  now.reference_mm = 2.0;
  const auto kept = with_kept_rings(before, now);
  ASSERT_EQ(kept.calibration.rings.size(), 3U);
  EXPECT_EQ(kept.names, (std::vector<std::string>{"\"low\"", "\"high\""}));
  EXPECT_NEAR(degrees(kept.calibration.rings[0].elevation), 26.0, 1e-9);
  EXPECT_NEAR(degrees(kept.calibration.rings[0].azimuth), 1.5, 1e-9);
  EXPECT_NEAR(degrees(kept.calibration.rings[2].azimuth), -1.0, 1e-9);
  EXPECT_NEAR(kept.calibration.rings[2].axis.origin_mm.z(), 202.0, 1e-9);
  EXPECT_EQ(kept.calibration.sigma_angle, before.sigma_angle);
  ASSERT_EQ(kept.findings.size(), 1U);
  EXPECT_THAT(kept.findings[0].what, HasSubstr("\"low\", \"high\""));
  EXPECT_THAT(kept.calibration.provenance.notes.back(), HasSubstr("2024-05-01"));
}

TEST(CalibrateAxisKeeps, NothingWhereAllRingsAreNew) {
  AxisCalibration before;
  before.rings = {ring_at("low", 10, 0), ring_at("", 20, 0)};
  AxisCalibration now;
  now.rings = {ring_at("low", 10, 0), ring_at("", 21, 0)};
  const auto kept = with_kept_rings(before, now);
  EXPECT_TRUE(kept.findings.empty());
  EXPECT_EQ(kept.calibration.rings.size(), 2U);
  // Without names, the new axis serves what stands at its elevation, whatever its name.
  now.rings = {ring_at("", 11, 0)};
  const auto unnamed = with_kept_rings(before, now);
  ASSERT_EQ(unnamed.names.size(), 1U);
  EXPECT_THAT(unnamed.names[0], HasSubstr("unnamed ring at 20.0"));
}

}  // namespace tilt_test
}  // namespace trunnion::calibrate_axis

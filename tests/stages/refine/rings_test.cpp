// Refinement of several rings, of tilted specimens, of a telecentric camera and of moved reference
// slices, on simulated features with known truth.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "core/angle.h"
#include "stages/refine/refine.h"
#include "tests/support/simulated_features.h"

namespace trunnion::refine {
namespace rings_test {

using test::simulate;
using test::SimulatedRing;
using test::SimulatedSet;
using test::Simulation;
using test::worst_errors;

std::pair<double, double> refined_errors(const SimulatedSet& set, const RefineResult& result) {
  const auto [rotation, centre] = worst_errors(result.scene.views, set);
  const auto [before, before_centre] = worst_errors(set.scene.views, set);
  fmt::print("{}\nrotation {:.3f} -> {:.4f} degrees, centre {:.3f} -> {:.4f} %, sigma {:.3f} px\n",
             result.sentence, degrees(before), degrees(rotation), 100 * before_centre, 100 * centre,
             result.sigma_px);
  for (const Finding& finding : result.findings) fmt::print("{}\n", finding.what);
  return {rotation, centre};
}

void expect_fine(const SimulatedSet& set, const RefineResult& result) {
  const auto [rotation, centre] = refined_errors(set, result);
  EXPECT_EQ(result.verdict, PoseVerdict::confirmed) << result.sentence;
  EXPECT_EQ(result.fault, AcquisitionFault::none);
  EXPECT_LE(degrees(rotation), 0.02);
  EXPECT_LE(centre, 0.0005);
}

Simulation three_rings() {
  Simulation s;
  s.stations = 16;
  s.rings = {{.name = "low", .true_elevation = radians(9.0), .given_elevation = radians(10.0)},
             {.name = "mid",
              .true_elevation = radians(26.5),
              .given_elevation = radians(25.0),
              .start = radians(7.5)},
             {.name = "high",
              .true_elevation = radians(41.0),
              .given_elevation = radians(40.0),
              .start = radians(15.0)}};
  return s;
}

TEST(RefineRings, ThreeElevationsAreFoundFromNominalGeometry) {
  const SimulatedSet set = simulate(three_rings(), 3);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  expect_fine(set, result);
  // The elevations themselves: what is common to all is the gauge's, their differences are not.
  EXPECT_NEAR(degrees(result.rings[2].elevation - result.rings[0].elevation), 32.0, 0.02);
}

TEST(RefineRings, AFaultInTheSecondRingIsNamedThere) {
  Simulation s = three_rings();
  s.at = 16 + 5;
  s.wrong_angle = radians(3.0);
  const SimulatedSet set = simulate(s, 4);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  EXPECT_EQ(result.fault, AcquisitionFault::wrong_angle);
  EXPECT_EQ(result.fault_view, s.at);
}

Simulation tilted(TiltKind kind) {
  Simulation s;
  s.stations = 16;
  s.rings = {{.name = "level"},
             {.name = "forward",
              .true_tilt = radians(21.0),
              .given_tilt = radians(20.0),
              .start = radians(7.5)},
             {.name = "back",
              .true_tilt = radians(-18.6),
              .given_tilt = radians(-20.0),
              .start = radians(15.0)}};
  s.told_second.axis.kind = kind;
  s.true_second = {kind, radians(91.5), radians(1.0), 0.3, -0.4};
  return s;
}

class RefineTilts : public testing::TestWithParam<TiltKind> {};

TEST_P(RefineTilts, TiltAndSecondAxisAreFoundFromNominalGeometry) {
  for (const unsigned seed : {5U, 6U}) {
    const SimulatedSet set = simulate(tilted(GetParam()), seed);
    const RefineResult result = refine(set.scene, set.rings, set.features, {});
    expect_fine(set, result);
    const Tilt& forward = result.rings[1].tilt;
    const Tilt& back = result.rings[2].tilt;
    fmt::print("tilts {:.4f} +- {:.4f}, {:.4f}; azimuth {:.3f}, inclination {:.3f} degrees\n",
               degrees(forward.angle), degrees(std::sqrt(forward.covariance(4, 4))),
               degrees(back.angle), degrees(forward.axis.azimuth),
               degrees(forward.axis.inclination));
    EXPECT_NEAR(degrees(forward.angle), 21.0, 3.0 * degrees(std::sqrt(forward.covariance(4, 4))));
    EXPECT_NEAR(degrees(forward.angle - back.angle), 39.6, 0.05);
    EXPECT_LE(degrees(std::sqrt(forward.covariance(4, 4))), 0.05);
  }
}

INSTANTIATE_TEST_SUITE_P(Carried, RefineTilts, testing::Values(TiltKind::specimen, TiltKind::stage),
                         [](const auto& kind) {
                           return kind.param == TiltKind::stage ? std::string("Stage")
                                                                : std::string("Specimen");
                         });

// Priors of a tilted ring hold the truth as its sigmas say: the given geometry is off by a sigma or
// less in each parameter.
TEST(RefineRings, PriorsOfTiltedRingsHoldTheTruth) {
  const SimulatedSet set = simulate(tilted(TiltKind::specimen), 7);
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    const View& view = set.scene.views[v];
    const Eigen::AngleAxisd turn(Eigen::Matrix3d(set.truth[v].R * view.prior.R.transpose()));
    Eigen::Matrix<double, 6, 1> d;
    d << turn.angle() * turn.axis(), set.truth[v].centre_mm() - view.prior.centre_mm();
    const double squared = d.dot(view.prior_covariance.ldlt().solve(d));
    EXPECT_LE(squared, 22.5) << view.name;  // chi-squared, 6 degrees of freedom, 99.9 %
  }
}

// About the line of sight the image only turns: said, and the refinement keeps its head.
TEST(RefineRings, ATiltAboutTheLineOfSightShowsNothingNew) {
  Simulation s = tilted(TiltKind::stage);
  for (SimulatedRing& ring : s.rings) ring.true_elevation = ring.given_elevation = 0.0;
  s.told_second.axis.azimuth = 0.0;
  s.true_second = {TiltKind::stage, radians(1.0), 0.0, 0.1, 0.1};
  const SimulatedSet set = simulate(s, 8);
  std::string said;
  for (const Finding& finding : set.findings) said += finding.what;
  EXPECT_THAT(said, testing::HasSubstr("close to the viewing direction"));
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  const auto [rotation, centre] = refined_errors(set, result);
  EXPECT_TRUE(result.converged);
  EXPECT_LE(degrees(rotation), 0.05);
  EXPECT_LE(centre, 0.001);
}

TEST(RefineRings, AWrongTiltIsReported) {
  Simulation s = tilted(TiltKind::specimen);
  s.rings[1].given_tilt = radians(15.0);  // six sigmas
  const SimulatedSet set = simulate(s, 9);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  std::string said;
  for (const Finding& finding : result.findings) said += finding.what;
  EXPECT_THAT(said, testing::HasSubstr("refined tilt"));
  EXPECT_NEAR(degrees(result.rings[1].tilt.angle), 21.0, 0.1);
}

TEST(RefineRings, TelecentricRingsAreFoundFromNominalGeometry) {
  for (const unsigned seed : {11U, 12U}) {
    Simulation s = three_rings();
    s.telecentric = true;
    const SimulatedSet set = simulate(s, seed);
    const RefineResult result = refine(set.scene, set.rings, set.features, {});
    const auto [rotation, image_px] = test::telecentric_errors(result, set);
    fmt::print("{}\nrotation {:.4f} degrees, image {:.3f} px\n", result.sentence, degrees(rotation),
               image_px);
    EXPECT_EQ(result.verdict, PoseVerdict::confirmed) << result.sentence;
    EXPECT_EQ(result.fault, AcquisitionFault::none);
    EXPECT_LE(degrees(rotation), 0.03);
    EXPECT_LE(image_px, 0.1);
  }
}

TEST(RefineRings, ATelecentricRingAloneIsFound) {
  Simulation s;
  s.telecentric = true;
  const SimulatedSet set = simulate(s, 13);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  const auto [rotation, image_px] = test::telecentric_errors(result, set);
  fmt::print("{}\nrotation {:.4f} degrees, image {:.3f} px\n", result.sentence, degrees(rotation),
             image_px);
  EXPECT_LE(degrees(rotation), 0.03);
  EXPECT_LE(image_px, 0.1);
}

// The second ring's series was fused to a slice 4 mm nearer to the camera.
TEST(RefineRings, AMovedReferenceSliceIsFollowed) {
  Simulation s = three_rings();
  s.rings[1].reference_mm = 4.0;
  const SimulatedSet set = simulate(s, 14);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  const auto [rotation, centre] = refined_errors(set, result);
  EXPECT_LE(degrees(rotation), 0.02);
  EXPECT_LE(centre, 0.0005);
}

}  // namespace rings_test
}  // namespace trunnion::refine

// Refinement on simulated features: a bumpy specimen whose points are seen from the stations of a
// rig, with noise in position, wrong matches and points that hide behind the specimen.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <cmath>

#include "core/angle.h"
#include "stages/refine/refine.h"
#include "tests/support/simulated_features.h"

namespace trunnion::refine {
namespace simulated_test {

using test::simulate;
using test::SimulatedSet;
using test::Simulation;
using test::worst_errors;

TEST(RefineSimulated, FindsTheRigFromNominalGeometry) {
  const SimulatedSet set = simulate({}, 1);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  const auto [rotation, centre] = worst_errors(result.scene.views, set);
  fmt::print("{}\nrotation {:.4f} degrees, centre {:.4f} %, sigma {:.3f} px\n", result.sentence,
             degrees(rotation), 100 * centre, result.sigma_px);
  EXPECT_EQ(result.verdict, PoseVerdict::confirmed) << result.sentence;
  EXPECT_EQ(result.fault, AcquisitionFault::none);
  EXPECT_LE(degrees(rotation), 0.02);
  EXPECT_LE(centre, 0.0005);
  EXPECT_NEAR(result.sigma_px, 0.3, 0.05);
}

// Wrong by 10 degrees in elevation, 20 % in distance, 2 % of the image in the axis's position.
TEST(RefineSimulated, ConvergesFromPoorNominalGeometry) {
  std::vector<Eigen::Vector3d> directions;  // of the axis: the same from either side
  for (const double sign : {-1.0, 1.0}) {
    Simulation s;
    s.rings[0].given_elevation = s.rings[0].true_elevation + sign * radians(10.0);
    s.told_distance = s.true_distance * (1.0 + sign * 0.2);
    s.true_offset_mm = {0.32, -0.32};  // 24 px of 1200
    const SimulatedSet set = simulate(s, 2);
    const RefineResult result = refine(set.scene, set.rings, set.features, {});
    const auto [rotation, centre] = worst_errors(result.scene.views, set);
    fmt::print("{}\nrotation {:.4f} degrees, centre {:.4f} %\n", result.sentence, degrees(rotation),
               100 * centre);
    EXPECT_TRUE(result.converged);
    EXPECT_EQ(result.fault, AcquisitionFault::none);
    EXPECT_LE(degrees(rotation), 0.02);
    directions.push_back(result.rings[0].axis.direction);
  }
  EXPECT_LE(degrees((directions[0] - directions[1]).norm()), 0.001);
}

// Ten seeds a drop-out: named, at the right station; none on clean sets.
TEST(RefineSimulated, SlowNamesDropOuts) {
  for (unsigned seed = 1; seed <= 10; ++seed) {
    Simulation s;
    s.stations = 20;
    s.points = 700;
    EXPECT_EQ(
        refine(simulate(s, seed).scene, simulate(s, seed).rings, simulate(s, seed).features, {})
            .fault,
        AcquisitionFault::none)
        << seed;
    Simulation wrong = s;
    wrong.at = 2 + seed;
    wrong.wrong_angle = radians((seed % 2 == 0 ? 1.0 : -1.0) * (1.0 + seed));
    const SimulatedSet wrong_set = simulate(wrong, seed);
    const RefineResult a = refine(wrong_set.scene, wrong_set.rings, wrong_set.features, {});
    EXPECT_EQ(a.fault, AcquisitionFault::wrong_angle) << seed;
    EXPECT_EQ(a.fault_view, wrong.at) << seed;

    Simulation bump = s;
    bump.at = 3 + seed;
    bump.bumped = true;
    bump.bump = {rotation_about(Eigen::Vector3d(1, seed % 3, 0).normalized(), radians(1.5)),
                 Eigen::Vector3d(0.2, -0.3, 0.1 * seed)};
    const SimulatedSet bump_set = simulate(bump, seed);
    const RefineResult b = refine(bump_set.scene, bump_set.rings, bump_set.features, {});
    EXPECT_EQ(b.fault, AcquisitionFault::bumped_specimen) << seed;
    EXPECT_EQ(b.fault_view, bump.at) << seed;

    Simulation reversed = s;
    reversed.reversed = true;
    const SimulatedSet reversed_set = simulate(reversed, seed);
    const RefineResult c =
        refine(reversed_set.scene, reversed_set.rings, reversed_set.features, {});
    EXPECT_EQ(c.fault, AcquisitionFault::reversed_turning) << seed;
  }
}

TEST(RefineSimulated, KeepsThePriorWithoutTexture) {
  SimulatedSet set = simulate({}, 1);
  for (ImageFeatures& view : set.features) view.points.resize(3);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  EXPECT_EQ(result.verdict, PoseVerdict::not_refined);
  EXPECT_FALSE(result.scene.refined);
  ASSERT_EQ(result.findings.size(), 1U);
  EXPECT_EQ((result.scene.views[5].pose.R - result.scene.views[5].prior.R).norm(), 0.0);
}

TEST(RefineSimulated, FeaturesSurviveTheJournal) {
  const SimulatedSet set = simulate({}, 1);
  const ImageFeatures back = features_from_bytes(features_to_bytes(set.features[3]));
  ASSERT_EQ(back.points.size(), set.features[3].points.size());
  EXPECT_EQ(back.points[7].descriptor, set.features[3].points[7].descriptor);
  EXPECT_EQ(back.points[7].x_px, set.features[3].points[7].x_px);
  EXPECT_THROW(features_from_bytes("nonsense"), std::exception);
}

}  // namespace simulated_test
}  // namespace trunnion::refine

// Files that say something else than the images show: each is named as what it is, once, no
// innocent station is accused, and what is contradicted is exported as such.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "core/station.h"
#include "core/turntable.h"
#include "stages/refine/refine.h"
#include "tests/support/simulated_features.h"

namespace trunnion::refine {
namespace capture_test {

using test::simulate;
using test::SimulatedSet;
using test::Simulation;
using testing::ElementsAre;
using testing::HasSubstr;

SimulatedSet ring_of_20(unsigned seed) {
  Simulation s;
  s.stations = 20;
  s.points = 700;
  return simulate(s, seed);
}

void give_angles(SimulatedSet& set, double factor) {
  for (View& view : set.scene.views) {
    view.stage_angle *= factor;
    view.prior = pose_at(set.rings[0].axis, view.stage_angle, false);
    view.pose = view.prior;
  }
}

RefineResult refined(const SimulatedSet& set) {
  return refine(set.scene, set.rings, set.features, {});
}

std::vector<std::size_t> contradicted(const RefineResult& result) {
  std::vector<std::size_t> views;
  for (std::size_t v = 0; v < result.scene.views.size(); ++v) {
    if (result.scene.views[v].state == PoseState::contradicted) views.push_back(v);
  }
  return views;
}

std::vector<std::string> faults(const RefineResult& result) {
  std::vector<std::string> said;
  for (const Finding& finding : result.findings) {
    if (finding.severity == Severity::fault) said.push_back(finding.what);
  }
  return said;
}

std::string station(const SimulatedSet& set, std::size_t view) {
  return station_text(set.scene.views[view].ring, set.scene.views[view].station);
}

double sigma_of(const View& view) {
  return std::sqrt(view.covariance.diagonal().head<3>().maxCoeff());
}

TEST(RefineCapture, ACleanSetIsConfirmedAndNothingDenied) {
  for (unsigned seed = 1; seed <= 3; ++seed) {
    const RefineResult result = refined(ring_of_20(seed));
    EXPECT_THAT(faults(result), ElementsAre()) << seed;
    EXPECT_EQ(result.verdict, PoseVerdict::confirmed) << result.sentence;
    EXPECT_TRUE(result.proposal.empty());
  }
}

TEST(RefineCapture, AWrongStepIsNamedAndTheRingContradicted) {
  for (const double factor : {0.5, 2.0, 0.75}) {
    SimulatedSet set = ring_of_20(4);
    give_angles(set, factor);
    const RefineResult result = refined(set);
    EXPECT_EQ(result.fault, AcquisitionFault::wrong_step) << factor << " " << result.sentence;
    ASSERT_EQ(faults(result).size(), 1U) << factor;
    EXPECT_THAT(faults(result)[0], HasSubstr("The images show steps of 18.00 degrees"));
    EXPECT_EQ(contradicted(result).size(), 20U);
    for (const View& view : result.scene.views) EXPECT_GT(degrees(sigma_of(view)), 60.0);
    ASSERT_EQ(result.proposal.size(), 20U);
    for (std::size_t k = 0; k < 20; ++k) {
      EXPECT_NEAR(degrees(result.proposal[k].stage_angle), 18.0 * static_cast<double>(k), 0.5);
    }
  }
}

TEST(RefineCapture, ExchangedImagesAreNamedOnceAndNobodyElse) {
  for (const std::size_t apart : {1U, 2U, 9U}) {
    SimulatedSet set = ring_of_20(5);
    std::swap(set.features[6], set.features[6 + apart]);
    const RefineResult result = refined(set);
    EXPECT_EQ(result.fault, AcquisitionFault::exchanged) << apart;
    ASSERT_EQ(faults(result).size(), 1U) << apart;
    EXPECT_THAT(faults(result)[0],
                HasSubstr(station(set, 6) + " and " + station(set, 6 + apart) + " are exchanged"));
    EXPECT_THAT(contradicted(result), ElementsAre(6U, 6U + apart));
    ASSERT_EQ(result.proposal.size(), 20U);
    EXPECT_EQ(result.proposal[6].station, static_cast<int>(6 + apart));
    EXPECT_EQ(result.proposal[6 + apart].station, 6);
  }
}

TEST(RefineCapture, ACopyIsNamedAtTheStationWhoseImageItIsNot) {
  for (const auto& [copy, original] : {std::pair{6U, 7U}, {7U, 6U}, {6U, 14U}}) {
    SimulatedSet set = ring_of_20(6);
    set.features[copy] = set.features[original];
    const RefineResult result = refined(set);
    EXPECT_EQ(result.fault, AcquisitionFault::copied) << copy << " " << original;
    ASSERT_EQ(faults(result).size(), 1U) << copy << " " << original;
    EXPECT_THAT(faults(result)[0],
                HasSubstr(station(set, copy) + " is a copy of " + station(set, original)));
    EXPECT_THAT(contradicted(result), ElementsAre(copy));
    EXPECT_GT(degrees(sigma_of(result.scene.views[copy])), 60.0);
    EXPECT_EQ(result.proposal.size(), 19U);
  }
}

TEST(RefineCapture, ASkippedStationIsNamedWhereItIsMissing) {
  SimulatedSet set = ring_of_20(7);
  for (std::size_t v = 9; v + 1 < 20; ++v) set.features[v] = set.features[v + 1];
  set.features.pop_back();
  set.scene.views.pop_back();
  const RefineResult result = refined(set);
  EXPECT_EQ(result.fault, AcquisitionFault::skipped_station);
  EXPECT_EQ(result.fault_view, 9U);
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(faults(result)[0], HasSubstr("one station was skipped before it"));
  EXPECT_EQ(contradicted(result).size(), 10U);
  ASSERT_EQ(result.proposal.size(), 19U);
  EXPECT_NEAR(degrees(result.proposal[9].stage_angle), 180.0, 0.5);
}

Simulation two_rings_of_18() {
  Simulation s;
  s.stations = 18;
  s.rings.resize(2);
  s.rings[1].name = "high";
  s.rings[1].true_elevation = s.rings[0].true_elevation + radians(20.0);
  s.rings[1].given_elevation = s.rings[0].given_elevation + radians(20.0);
  s.rings[1].start = radians(10.0);
  return s;
}

// Most of its ring then stands elsewhere against the other ring, but it is that part that is wrong.
TEST(RefineCapture, AStationSkippedEarlyInOneOfTwoRingsAccusesNotThoseBefore) {
  const Simulation s = two_rings_of_18();
  for (const std::size_t ring : {0U, 1U}) {
    SimulatedSet set = simulate(s, 10);
    const std::size_t first = 18 * ring;
    for (std::size_t v = first + 3; v + 1 < first + 18; ++v) set.features[v] = set.features[v + 1];
    const auto last = static_cast<std::ptrdiff_t>(first + 17);
    set.features.erase(set.features.begin() + last);
    set.scene.views.erase(set.scene.views.begin() + last);
    const RefineResult result = refined(set);
    EXPECT_EQ(result.fault, AcquisitionFault::skipped_station) << result.sentence;
    EXPECT_EQ(result.fault_view, first + 3);
    EXPECT_EQ(faults(result).size(), 1U);
    const std::vector<std::size_t> out = contradicted(result);
    ASSERT_EQ(out.size(), 14U);
    EXPECT_EQ(out.front(), first + 3);
    EXPECT_EQ(out.back(), first + 16);
  }
}

TEST(RefineCapture, AnImageOfAnotherSpecimenIsNamed) {
  SimulatedSet set = ring_of_20(8);
  set.features[11] = ring_of_20(9).features[11];
  const RefineResult result = refined(set);
  EXPECT_EQ(result.fault, AcquisitionFault::unmatched);
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(contradicted(result), ElementsAre(11U));
}

TEST(RefineCapture, ARingThatWentRoundTwiceIsNamed) {
  Simulation s;
  s.stations = 40;
  s.points = 700;
  SimulatedSet set = simulate(s, 12);
  const std::vector<ImageFeatures> shot = set.features;
  for (std::size_t v = 0; v < 40; ++v) set.features[v] = shot[2 * v % 40];
  const RefineResult result = refined(set);
  EXPECT_EQ(result.fault, AcquisitionFault::several_rounds) << result.sentence;
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(faults(result)[0], HasSubstr("the stage went round 2 times"));
  EXPECT_EQ(contradicted(result).size(), 40U);
  ASSERT_EQ(result.proposal.size(), 40U);
  for (std::size_t v = 0; v < 40; ++v) {
    EXPECT_NEAR(degrees(result.proposal[v].stage_angle), 18.0 * static_cast<double>(v), 0.5);
  }
}

// The other ring's step is right, so no factor fits both.
TEST(RefineCapture, OneRingOfTwoThatWentRoundTwiceIsNamed) {
  Simulation s = two_rings_of_18();
  s.stations = 36;
  s.points = 700;
  SimulatedSet set = simulate(s, 17);
  const std::vector<ImageFeatures> shot = set.features;
  for (std::size_t v = 0; v < 36; ++v) set.features[v] = shot[2 * v % 36];
  const RefineResult result = refined(set);
  EXPECT_EQ(result.fault, AcquisitionFault::several_rounds) << result.sentence;
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(faults(result)[0], HasSubstr("Ring \"ring\": the images show steps of 20.00"));
  EXPECT_EQ(contradicted(result).size(), 36U);
}

// A narrow field of view shows the axis by the turning alone: what else is wrong is not known.
TEST(RefineCapture, ANominalRigThatTheImagesLeaveConfirmsNothing) {
  Simulation s;
  s.stations = 20;
  s.points = 700;
  s.rings[0].given_elevation = s.rings[0].true_elevation - radians(25.0);  // 5 sigmas
  const SimulatedSet set = simulate(s, 18);
  const RefineResult result = refined(set);
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(faults(result)[0], HasSubstr("more than the prior allows"));
  EXPECT_EQ(contradicted(result).size(), 20U);
  EXPECT_TRUE(result.proposal.empty());
  for (const View& view : result.scene.views) EXPECT_GT(degrees(sigma_of(view)), 60.0);
}

TEST(RefineCapture, ExchangedRingsAreNamedOnceAndTheProposalExchangesThemBack) {
  SimulatedSet set = simulate(two_rings_of_18(), 13);
  std::swap_ranges(set.features.begin(), set.features.begin() + 18, set.features.begin() + 18);
  const RefineResult result = refined(set);
  EXPECT_EQ(result.fault, AcquisitionFault::exchanged_rings) << result.sentence;
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(faults(result)[0], HasSubstr("The rings \"ring\" and \"high\" are exchanged"));
  EXPECT_EQ(contradicted(result).size(), 36U);
  ASSERT_EQ(result.proposal.size(), 36U);
  for (std::size_t v = 0; v < 36; ++v) {
    EXPECT_EQ(result.proposal[v].ring, v < 18 ? "high" : "ring");
    EXPECT_EQ(result.proposal[v].station, static_cast<int>(v % 18));
  }
}

TEST(RefineCapture, ImagesExchangedBetweenRingsAreNamed) {
  SimulatedSet set = simulate(two_rings_of_18(), 14);
  std::swap(set.features[4], set.features[18 + 9]);
  const RefineResult result = refined(set);
  EXPECT_EQ(result.fault, AcquisitionFault::exchanged) << result.sentence;
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(faults(result)[0],
              HasSubstr(station(set, 4) + " and " + station(set, 27) + " are exchanged"));
  EXPECT_THAT(contradicted(result), ElementsAre(4U, 27U));
}

TEST(RefineCapture, ImagesOfAnotherSpecimenAmongTheOthersAreNamedTogether) {
  SimulatedSet set = simulate(two_rings_of_18(), 15);
  const SimulatedSet other = simulate(two_rings_of_18(), 16);
  std::vector<std::size_t> wrong;
  for (const std::size_t ring : {0U, 18U}) {
    for (std::size_t v = ring + 6; v < ring + 11; ++v) {
      set.features[v] = other.features[v];
      wrong.push_back(v);
    }
  }
  const RefineResult result = refined(set);
  EXPECT_EQ(result.fault, AcquisitionFault::mixed_specimens) << result.sentence;
  ASSERT_EQ(faults(result).size(), 1U);
  EXPECT_THAT(faults(result)[0], HasSubstr("Two specimens are mixed: the images of ring 6 to ring "
                                           "10, high 6 to high 10 match"));
  EXPECT_EQ(contradicted(result), wrong);
  EXPECT_EQ(result.proposal.size(), 26U);
}

}  // namespace capture_test
}  // namespace trunnion::refine

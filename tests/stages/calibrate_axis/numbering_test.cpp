// Boards whose images do not show one by one which corner is which: counts that are both odd or
// both even, and boards that reach out of the frame.
#include "stages/calibrate_axis/numbering.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "tests/support/axis_board.h"

namespace trunnion::calibrate_axis {
namespace numbering_test {

using test::AxisScene;
using test::direction_error;
using test::forget_numbering;
using test::position_error;
using test::simulate_axis;
using test::SimulatedAxis;

struct Kind {
  const char* name;
  BoardPattern pattern;
};
constexpr Kind kKinds[] = {
    {"OddOdd", {11, 9, 0.9}},
    {"EvenEven", {10, 8, 0.9}},
    {"OddEven", {11, 8, 0.9}},
    {"SquareOdd", {9, 9, 0.9}},
    {"SquareEven", {8, 8, 0.9}},
    {"Circles", {11, 8, 0.9, BoardKind::circles}},
    {"Staggered", {4, 11, 0.9, BoardKind::staggered}},
    {"StaggeredEven", {5, 10, 0.9, BoardKind::staggered}},
    {"Coded", {11, 8, 0.9, BoardKind::coded}},
};

class AxisNumbering : public testing::TestWithParam<Kind> {};

// Numbering forgotten in every image, a third of the board out of frame in some: the axis is the
// one of the true numbering.
TEST_P(AxisNumbering, ImagesOfOneCallSettleIt) {
  double worst_direction = 0;
  double worst_position = 0;
  for (unsigned seed = 1; seed <= 6; ++seed) {
    for (const bool telecentric : {false, true}) {
      for (const double frame_px : {6000.0, 3500.0}) {
        AxisScene scene;
        scene.pattern = GetParam().pattern;
        scene.telecentric = telecentric;
        scene.frame_px = frame_px;
        scene.spread = radians(100.0);
        SimulatedAxis set = simulate_axis(scene, seed);
        std::mt19937 random(77 + seed);
        for (AxisSighting& s : set.request.sightings) {
          forget_numbering(scene.pattern, random, s);
        }
        const AxisResult result = calibrate_axis(set.request, {.sigma_angle = radians(0.01)});
        SCOPED_TRACE(fmt::format("seed {} telecentric {} frame {}", seed, telecentric, frame_px));
        ASSERT_TRUE(result.accepted) << result.sentence;
        EXPECT_EQ(result.stations.size(), set.request.sightings.size());
        const Axis& found = result.calibration.rings[0].axis;
        worst_direction = std::max(worst_direction, direction_error(found, set.truth));
        if (!telecentric)
          worst_position = std::max(worst_position, position_error(found, set.truth));
      }
    }
  }
  fmt::print("{}: worst direction {:.4f} degrees, place {:.2f} um\n", GetParam().name,
             degrees(worst_direction), 1000.0 * worst_position);
  EXPECT_LE(degrees(worst_direction), 0.03);
  EXPECT_LE(worst_position, 0.02);
}

INSTANTIATE_TEST_SUITE_P(Boards, AxisNumbering, testing::ValuesIn(kKinds),
                         [](const auto& kind) { return std::string(kind.param.name); });

// Faults of the angles are named as they are on a board with a numbering of its own.
TEST(AxisNumbering, FaultsOfTheAnglesAreStillNamed) {
  AxisScene scene;
  scene.pattern = {11, 9, 0.9};
  SimulatedAxis clean = simulate_axis(scene, 5);
  std::mt19937 random(5);
  for (AxisSighting& s : clean.request.sightings) forget_numbering(scene.pattern, random, s);
  AxisRequest sign = clean.request;
  for (AxisSighting& s : sign.sightings) s.stage_angle = -s.stage_angle;
  EXPECT_EQ(calibrate_axis(sign).fault, AxisFault::wrong_sign);
  AxisRequest step = clean.request;
  for (AxisSighting& s : step.sightings) s.stage_angle *= 0.5;
  const AxisResult halved = calibrate_axis(step);
  EXPECT_EQ(halved.fault, AxisFault::wrong_step) << halved.sentence;
  EXPECT_NEAR(halved.found_step_ratio, 2.0, 1e-3);
  AxisRequest slip = clean.request;
  for (std::size_t i = 6; i < slip.sightings.size(); ++i) {
    slip.sightings[i].stage_angle += radians(1.0);
  }
  const AxisResult slipped = calibrate_axis(slip);
  EXPECT_EQ(slipped.fault, AxisFault::slipped) << slipped.sentence;
  EXPECT_EQ(slipped.fault_station, clean.request.sightings[6].name);
}

// Three images that show a board of no one axis: said, not guessed.
TEST(AxisNumbering, WhatCannotBeSettledIsSaid) {
  AxisScene scene;
  scene.pattern = {11, 9, 0.9};
  SimulatedAxis set = simulate_axis(scene, 6);
  std::mt19937 random(6);
  std::uniform_real_distribution<double> anywhere(-1.0, 1.0);
  for (AxisSighting& s : set.request.sightings) {
    forget_numbering(scene.pattern, random, s);
    s.stage_angle = 3.0 * anywhere(random);
  }
  const AxisResult result = calibrate_axis(set.request);
  EXPECT_FALSE(result.accepted);
  EXPECT_FALSE(result.sentence.empty());
}

// Two rings, the camera moved between them by hand: both numbered alike.
TEST(AxisNumbering, RingsAreNumberedAlike) {
  AxisScene scene;
  scene.pattern = {11, 9, 0.9};
  SimulatedAxis low = simulate_axis(scene, 11);
  scene.elevation = radians(40.0);
  scene.offset_mm = {-0.3, 0.5};
  const SimulatedAxis high = simulate_axis(scene, 12);
  AxisRequest request = low.request;
  request.rings = {"low", "high"};
  request.elevations = {radians(25.0), radians(40.0)};
  for (AxisSighting s : high.request.sightings) {
    s.ring = 1;
    s.name = "high_" + s.name;
    request.sightings.push_back(s);
  }
  const AxisResult known = calibrate_axis(request, {.sigma_angle = radians(0.01)});
  ASSERT_TRUE(known.accepted);
  std::mt19937 random(9);
  for (AxisSighting& s : request.sightings) forget_numbering(scene.pattern, random, s);
  const AxisResult settled = calibrate_axis(request, {.sigma_angle = radians(0.01)});
  ASSERT_TRUE(settled.accepted) << settled.sentence;
  for (std::size_t r = 0; r < 2; ++r) {
    EXPECT_LE(degrees(direction_error(known.calibration.rings[r].axis,
                                      settled.calibration.rings[r].axis)),
              1e-4);
    EXPECT_LE(position_error(known.calibration.rings[r].axis, settled.calibration.rings[r].axis),
              1e-4);
  }
}

}  // namespace numbering_test
}  // namespace trunnion::calibrate_axis

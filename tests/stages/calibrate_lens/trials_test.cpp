// Simulated trials: whether the stated sigmas are true. Exact truth from core/camera.h.
#include <gtest/gtest.h>

#include <fmt/format.h>

#include <cmath>

#include "stages/calibrate_lens/calibrate_lens.h"
#include "tests/support/simulated_boards.h"

namespace trunnion::calibrate_lens {
namespace trials_test {

using test::Shoot;
using test::SimulatedRig;

struct Case {
  const char* name;
  double magnification;
  Projection projection;
  int trials = 200;
};

Setup setup_for(const Case& c) {
  Setup setup;
  setup.name = c.name;
  setup.width_px = 3000;
  setup.height_px = 2000;
  setup.pixel_pitch_um = 8.0;
  setup.focal_length_mm = 100.0;
  setup.magnification = c.magnification;
  setup.f_number = 8;
  setup.rescaled = c.projection == Projection::perspective;
  return setup;
}

double normal(std::mt19937& random) {
  return std::normal_distribution<double>(0.0, 1.0)(random);
}

// A true camera drawn from what the priors say: principal distance, principal point; distortion of
// some pixels at the corner.
SimulatedRig draw_rig(const Case& c, const Setup& setup, std::mt19937& random) {
  SimulatedRig rig;
  Camera& camera = rig.camera;
  camera = setup.nominal_camera();
  const double rho = 0.5 * std::hypot(setup.width_px, setup.height_px);
  camera.cx += rho * kPrincipalPointSigma * normal(random);
  camera.cy += rho * kPrincipalPointSigma * normal(random);
  double unit = 0;
  if (c.projection == Projection::perspective) {
    const auto prior = principal_distance_prior(setup, c.magnification);
    // The prior is Gaussian in 1 / c.
    const double factor = 1.0 / std::max(0.4, 1.0 + prior->sigma_fraction * normal(random));
    camera.fx = prior->principal_distance_px * factor;
    rig.distance_mm = camera.fx * setup.pixel_pitch_um * 1e-3 / c.magnification;
    unit = camera.fx / rho;
  } else {
    camera.fx = c.magnification * 1000.0 / setup.pixel_pitch_um;
    unit = camera.fx / rho;
  }
  camera.fy = camera.fx;
  camera.distortion[0] = 0.004 * normal(random) * unit * unit;
  camera.distortion[1] = 0.002 * normal(random) * std::pow(unit, 4);
  camera.distortion[2] = kTangentialSigma * normal(random) * unit;
  camera.distortion[3] = kTangentialSigma * normal(random) * unit;
  rig.magnification = c.magnification;
  return rig;
}

class LensTrials : public testing::TestWithParam<Case> {};

// 95 % intervals of every free parameter hold the truth in 90 to 98 % of 200 trials and more.
TEST_P(LensTrials, SlowIntervalsHoldTheTruth) {
  const Case& c = GetParam();
  const trunnion::Setup setup = setup_for(c);
  std::mt19937 random(20240501);
  constexpr const char* kNames[] = {"fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2"};
  int inside[8] = {};
  for (int trial = 0; trial < c.trials; ++trial) {
    const SimulatedRig rig = draw_rig(c, setup, random);
    Shoot shoot;
    shoot.boards = 8;
    shoot.pattern = {7, 5, 1.0};
    shoot.pattern.square_mm = test::square_for(rig, shoot);
    const auto images = test::shoot_boards(rig, shoot, random);
    LensOptions options;
    options.pattern = shoot.pattern;
    options.model = Model{c.projection, 2, false, true, false};
    const LensResult result = calibrate_lens(images, setup, options);
    ASSERT_TRUE(result.uncertainty.regular);
    const Camera& found = result.calibration.camera;
    const double truth[] = {rig.camera.fx,
                            rig.camera.fy,
                            rig.camera.cx,
                            rig.camera.cy,
                            rig.camera.distortion[0],
                            rig.camera.distortion[1],
                            rig.camera.distortion[2],
                            rig.camera.distortion[3]};
    const double values[] = {found.fx,
                             found.fy,
                             found.cx,
                             found.cy,
                             found.distortion[0],
                             found.distortion[1],
                             found.distortion[2],
                             found.distortion[3]};
    for (int i = 0; i < 8; ++i) {
      const double sigma = std::sqrt(result.calibration.covariance(i, i));
      inside[i] += std::abs(values[i] - truth[i]) <= 1.959964 * sigma ? 1 : 0;
    }
  }
  int all = 0;
  for (int i = 0; i < 8; ++i) {
    const double share = 100.0 * inside[i] / c.trials;
    all += inside[i];
    RecordProperty(kNames[i], fmt::format("{:.1f}", share));
    EXPECT_GE(share, 90.0) << kNames[i];
    EXPECT_LE(share, 98.0) << kNames[i];
    fmt::print("{} {}: {:.1f} %\n", c.name, kNames[i], share);
  }
  EXPECT_GT(all, 0);
}

INSTANTIATE_TEST_SUITE_P(Magnifications, LensTrials,
                         testing::Values(Case{"m0.1", 0.1, Projection::perspective},
                                         Case{"m1", 1.0, Projection::perspective},
                                         Case{"m3", 3.0, Projection::perspective},
                                         Case{"telecentric", 1.0, Projection::telecentric, 1000}),
                         [](const auto& test_case) {
                           std::string name = test_case.param.name;
                           std::replace(name.begin(), name.end(), '.', '_');
                           return name;
                         });

}  // namespace trials_test
}  // namespace trunnion::calibrate_lens

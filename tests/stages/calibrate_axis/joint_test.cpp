// Lens and rotation axis in one adjustment from the same images, against the two calibrations one
// after the other.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <cmath>

#include "stages/calibrate_axis/calibrate_axis.h"
#include "stages/calibrate_lens/calibrate_lens.h"
#include "tests/support/axis_board.h"

namespace trunnion::calibrate_axis {
namespace joint_test {

using test::AxisScene;
using test::simulate_axis;
using test::SimulatedAxis;

Setup macro_setup() {
  Setup setup;
  setup.width_px = 6000;
  setup.height_px = 4000;
  setup.pixel_pitch_um = 4.0;
  setup.focal_length_mm = 100.0;
  setup.magnification = 1.0;
  setup.f_number = 8.0;
  setup.moves = FocusMotion::rail;
  setup.rescaled = true;
  return setup;
}

struct Rings {
  AxisRequest request;
  std::vector<Axis> truth;
  Camera camera;
};

// A board on the stage at three elevations of the camera.
Rings shoot(unsigned seed) {
  Rings rings;
  AxisScene scene;
  scene.pattern = {11, 8, 1.3};
  scene.stations = 6;
  scene.spread = radians(100.0);
  for (const double elevation : {5.0, 25.0, 45.0}) {
    scene.elevation = radians(elevation);
    const SimulatedAxis one = simulate_axis(scene, 10 * seed + static_cast<unsigned>(elevation));
    if (rings.truth.empty()) {
      rings.request = one.request;
      rings.request.rings.clear();
      rings.request.elevations.clear();
      rings.request.sightings.clear();
    }
    for (AxisSighting s : one.request.sightings) {
      s.ring = rings.truth.size();
      s.name = fmt::format("{}_{}", elevation, s.name);
      rings.request.sightings.push_back(s);
    }
    rings.request.rings.push_back(fmt::format("ring{}", elevation));
    rings.request.elevations.push_back(scene.elevation);
    rings.truth.push_back(one.truth);
  }
  rings.camera = rings.request.camera;
  return rings;
}

calibrate_lens::LensResult lens_from(const Rings& rings) {
  std::vector<calibrate_lens::BoardImage> images;
  for (const AxisSighting& s : rings.request.sightings) {
    calibrate_lens::BoardImage image{s.name, 6000, 4000, {}};
    image.view.found = true;
    image.view.columns = rings.request.pattern.columns;
    image.view.rows = rings.request.pattern.rows;
    image.view.corners = s.corners;
    images.push_back(image);
  }
  calibrate_lens::LensOptions options;
  options.pattern = rings.request.pattern;
  options.model = calibrate_lens::Model{.radial = 1};  // the choice of a model is tested elsewhere
  return calibrate_lens::calibrate_lens(images, macro_setup(), options);
}

// Across the axis at the true origin, mm.
Eigen::Vector3d place_error(const Axis& found, const Axis& truth) {
  const Eigen::Vector3d d = found.origin_mm - truth.origin_mm;
  return d - found.direction * d.dot(found.direction);
}

TEST(CalibrateJoint, SlowSigmasAreNotLargerAndHoldTheTruth) {
  int inside = 0;
  int asked = 0;
  for (unsigned seed = 1; seed <= 4; ++seed) {
    Rings rings = shoot(seed);
    const auto lens = lens_from(rings);
    ASSERT_TRUE(lens.accepted);
    AxisRequest request = rings.request;
    request.camera = lens.calibration.camera;
    request.camera_covariance = lens.calibration.covariance;
    const AxisOptions options{.sigma_angle = radians(0.01)};
    const AxisResult separate = calibrate_axis(request, options);
    ASSERT_TRUE(separate.accepted) << separate.sentence;
    EXPECT_FALSE(separate.camera.has_value());
    const auto belief =
        belief_without(lens, std::vector<char>(request.sightings.size(), static_cast<char>(1)));
    request.joint = CameraKnowledge{belief.camera, belief.covariance};
    const AxisResult joint = calibrate_axis(request, options);
    ASSERT_TRUE(joint.accepted) << joint.sentence;
    ASSERT_TRUE(joint.camera.has_value());
    const double sigma_before = std::sqrt(lens.calibration.covariance(0, 0));
    const double sigma_joint = std::sqrt(joint.camera->covariance(0, 0));
    EXPECT_LE(sigma_joint, 1.001 * sigma_before);
    const auto within = [&](double error, double sigma) {
      ++asked;
      inside += std::abs(error) <= 1.96 * sigma ? 1 : 0;
      EXPECT_LE(std::abs(error), 4.5 * sigma);
    };
    within(joint.camera->camera.fx - rings.camera.fx, sigma_joint);
    within(joint.camera->camera.cx - rings.camera.cx, std::sqrt(joint.camera->covariance(2, 2)));
    within(joint.camera->camera.cy - rings.camera.cy, std::sqrt(joint.camera->covariance(3, 3)));
    for (std::size_t r = 0; r < rings.truth.size(); ++r) {
      const RingAxis& ring = joint.calibration.rings[r];
      const RingAxis& before = separate.calibration.rings[r];
      for (int k = 0; k < 5; ++k) {
        EXPECT_LE(std::sqrt(ring.covariance(k, k)), 1.01 * std::sqrt(before.covariance(k, k)))
            << "ring " << r << " parameter " << k;
      }
      const Eigen::Vector3d error = place_error(ring.axis, rings.truth[r]);
      within(error.x(), std::sqrt(ring.covariance(2, 2)));
      within(error.z(), std::sqrt(ring.covariance(4, 4)));
      // Axis and principal distance go together: the covariance between them says so.
      const double correlation = ring.covariance_with_lens(4, 0) /
                                 std::sqrt(ring.covariance(4, 4) * joint.camera->covariance(0, 0));
      EXPECT_GT(correlation, 0.5);
      EXPECT_LE(correlation, 1.0 + 1e-6);
    }
    fmt::print(
        "seed {}: fx {:+.1f} +- {:.1f} px (separate +- {:.1f}), depth of ring 1 +- {:.4f} mm "
        "(separate +- {:.4f})\n",
        seed, joint.camera->camera.fx - rings.camera.fx, sigma_joint, sigma_before,
        std::sqrt(joint.calibration.rings[0].covariance(4, 4)),
        std::sqrt(separate.calibration.rings[0].covariance(4, 4)));
  }
  fmt::print("truth inside 95 % intervals: {} of {}\n", inside, asked);
  EXPECT_GE(inside, 0.88 * asked);
}

}  // namespace joint_test
}  // namespace trunnion::calibrate_axis

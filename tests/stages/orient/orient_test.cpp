// Poses from given or calibrated geometry: tilted rings, moved reference slices.
#include "stages/orient/orient.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "core/angle.h"

namespace trunnion::orient {
namespace orient_test {

using testing::HasSubstr;

trunnion::Setup rail_setup() {
  trunnion::Setup setup;
  setup.width_px = 6000;
  setup.height_px = 4000;
  setup.pixel_pitch_um = 4.0;
  setup.focal_length_mm = 100.0;
  setup.magnification = 1.0;
  return setup;
}

Specimen one_ring(double elevation_deg, double tilt_deg) {
  Specimen specimen;
  specimen.rings.push_back({.name = "a",
                            .elevation = radians(elevation_deg),
                            .stations = 4,
                            .step = kPi / 2,
                            .pattern = "",
                            .tilt = radians(tilt_deg)});
  specimen.geometry.sigma_elevation = radians(1.0);
  return specimen;
}

CalibrationRecord calibrated(const std::string& ring, double elevation_deg) {
  CalibrationRecord record = record_for(rail_setup());
  record.axis.emplace();
  RingAxis axis;
  axis.ring = ring;
  axis.elevation = radians(elevation_deg);
  axis.axis = nominal_axis(200.0, axis.elevation);
  axis.covariance = AxisCovariance::Identity() * 1e-8;
  record.axis->rings.push_back(axis);
  record.axis->sigma_angle = radians(0.01);
  return record;
}

OrientStation station(const Specimen& specimen, int i) {
  const Ring& ring = specimen.rings[0];
  return {"a_" + std::to_string(i), "a", 0, i, ring.angle_of(i), ring.tilt, ring.reference_mm};
}

std::string said(const OrientResult& result) {
  std::string text;
  for (const Finding& finding : result.findings) text += finding.what + "\n";
  return text;
}

// With the default second axis a stage tilted towards the camera is seen as by a camera raised.
TEST(Orient, ATiltedStageIsSeenAsByARaisedCamera) {
  Specimen tilted = one_ring(10.0, 20.0);
  tilted.tilt.axis.kind = TiltKind::stage;
  const Specimen raised = one_ring(30.0, 0.0);
  for (const int i : {0, 1, 3}) {
    const View a = orient({station(tilted, i)}, tilted, rail_setup(), nullptr).views[0];
    const View b = orient({station(raised, i)}, raised, rail_setup(), nullptr).views[0];
    EXPECT_NEAR((a.prior.R - b.prior.R).norm(), 0.0, 1e-12);
    EXPECT_NEAR((a.prior.t - b.prior.t).norm(), 0.0, 1e-9);
  }
}

// A specimen tilted on top keeps facing where it was tilted to as the stage turns: at stage angle
// 0 as above, half a turn on as by a camera lowered.
TEST(Orient, ATiltedSpecimenLeansAwayHalfATurnOn) {
  const Specimen tilted = one_ring(10.0, 20.0);
  const auto elevation_in_world = [&](int i) {
    const View view = orient({station(tilted, i)}, tilted, rail_setup(), nullptr).views[0];
    return degrees(std::asin(view.prior.centre_mm().normalized().z()));
  };
  EXPECT_NEAR(elevation_in_world(0), 30.0, 1e-9);
  EXPECT_NEAR(elevation_in_world(2), -10.0, 1e-9);
}

TEST(Orient, ATiltsSigmasReachThePoses) {
  Specimen tilted = one_ring(0.0, 20.0);
  CalibrationRecord record = calibrated("a", 0.0);
  record.axis->rings[0].tilt.angle = radians(20.0);
  record.axis->rings[0].tilt.covariance(4, 4) = std::pow(radians(0.5), 2);
  const View view = orient({station(tilted, 0)}, tilted, rail_setup(), &record).views[0];
  // The tilt turns about the camera's x axis and moves the camera by 200 mm times as much.
  EXPECT_NEAR(degrees(std::sqrt(view.prior_covariance(0, 0))), 0.5, 0.01);
  EXPECT_NEAR(std::sqrt(view.prior_covariance.bottomRightCorner<3, 3>().trace()),
              200.0 * radians(0.5), 0.02);
}

// A ring that was not calibrated stands on the calibrated axis of its elevation, tilted as given.
TEST(Orient, ATiltedRingStandsOnTheAxisCalibratedLevel) {
  const Specimen tilted = one_ring(10.0, 20.0);
  const CalibrationRecord record = calibrated("level", 10.4);
  const OrientResult result = orient({station(tilted, 0)}, tilted, rail_setup(), &record);
  EXPECT_TRUE(result.axis_calibrated);
  EXPECT_NEAR(degrees(std::asin(result.views[0].prior.centre_mm().normalized().z())), 30.4, 1e-6);
  // Untilted, another ring's name does not serve.
  const Specimen level = one_ring(10.0, 0.0);
  EXPECT_FALSE(orient({station(level, 0)}, level, rail_setup(), &record).axis_calibrated);
}

TEST(Orient, NamesATiltThatTheCalibrationContradicts) {
  const Specimen tilted = one_ring(10.0, 20.0);
  CalibrationRecord record = calibrated("a", 10.0);
  record.axis->rings[0].tilt.angle = radians(-20.0);
  const OrientResult result = orient({station(tilted, 0)}, tilted, rail_setup(), &record);
  EXPECT_THAT(said(result), HasSubstr("calibrated at a tilt of -20.0 degrees"));
}

// The plane of focus 3 mm nearer to the camera: the camera 3 mm further back, and nothing else.
TEST(Orient, AMovedReferenceSliceMovesTheCameraAlongItsView) {
  Specimen specimen = one_ring(10.0, 0.0);
  CalibrationRecord record = calibrated("a", 10.0);
  record.axis->reference_mm = 1.0;
  const View before = orient({station(specimen, 1)}, specimen, rail_setup(), &record).views[0];
  specimen.rings[0].reference_mm = 4.0;
  const View after = orient({station(specimen, 1)}, specimen, rail_setup(), &record).views[0];
  EXPECT_EQ((before.prior.R - after.prior.R).norm(), 0.0);
  const Eigen::Vector3d view = before.prior.R.row(2);
  EXPECT_NEAR((after.prior.centre_mm() - before.prior.centre_mm() + 3.0 * view).norm(), 0, 1e-9);
  const Eigen::Matrix3d added =
      (after.prior_covariance - before.prior_covariance).bottomRightCorner<3, 3>();
  EXPECT_NEAR(view.dot(added * view), 0.02 * 0.02, 1e-9);
  EXPECT_NEAR(added.trace(), 0.02 * 0.02, 1e-9);
}

TEST(Orient, SaysWhereAReferenceMovesNothing) {
  Specimen specimen = one_ring(10.0, 0.0);
  specimen.rings[0].reference_mm = 4.0;
  trunnion::Setup lens = rail_setup();
  lens.moves = FocusMotion::lens;
  const OrientResult moved = orient({station(specimen, 0)}, specimen, lens, nullptr);
  EXPECT_THAT(said(moved), HasSubstr("reference_mm has no effect"));
  EXPECT_EQ(moved.views[0].reference_mm, 0.0);
}

}  // namespace orient_test
}  // namespace trunnion::orient

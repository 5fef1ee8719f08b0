// The rig against published poses of a real turntable.
// Source: Seitz, Curless, Diebel, Scharstein, Szeliski, "A comparison and evaluation of multi-view
// stereo reconstruction algorithms", CVPR 2006, data set "dinoSparseRing": 16 views in steps of
// 540 / 23 degrees.
#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <Eigen/QR>

#include "core/angle.h"
#include "stages/orient/orient.h"
#include "tests/support/open_data.h"
#include "tests/support/turntable_data.h"

namespace trunnion {
namespace single_axis_test {

constexpr double kStep = radians(540.0 / 23.0);

// The axis of the motion that carries one camera frame into another: its direction, and the point
// of it nearest to the camera.
Axis axis_of_motion(const Pose& first, const Pose& second) {
  const Pose motion = second * first.inverse();
  const Eigen::AngleAxisd turn(motion.R);
  Axis axis;
  axis.direction = turn.axis();
  axis.origin_mm =
      (Eigen::Matrix3d::Identity() - motion.R).completeOrthogonalDecomposition().solve(motion.t);
  return axis;
}

TEST(SingleAxis, OrientReproducesThePublishedPosesOfRing16) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "ring16");
  const std::vector<test::PublishedView> published = test::read_ring16(folder);
  ASSERT_EQ(published.size(), 16U);
  const Pose& first = published[0].pose;
  CalibrationRecord record;
  record.axis.emplace();
  record.axis->rings.push_back(
      {"ring", 0.0, axis_of_motion(first, published[7].pose), AxisCovariance::Identity() * 1e-6});
  Specimen specimen;
  specimen.rings.push_back({.name = "ring", .stations = 16, .step = kStep, .pattern = ""});
  std::vector<orient::OrientStation> stations;
  for (int i = 0; i < 16; ++i) {
    stations.push_back({"ring_" + std::to_string(i), "ring", 0, i, specimen.rings[0].angle_of(i)});
  }
  const orient::OrientResult result =
      orient::orient(stations, specimen, trunnion::Setup{}, &record);
  ASSERT_EQ(result.views.size(), 16U);
  EXPECT_TRUE(result.axis_calibrated);

  // The published world is another one: carried over by the first view alone.
  const Pose published_from_world = first.inverse() * result.views[0].prior;
  const double radius = (Eigen::Vector3d(result.views[0].prior.centre_mm().x(),
                                         result.views[0].prior.centre_mm().y(), 0.0))
                            .norm();
  double worst_rotation = 0;
  double worst_centre = 0;
  for (std::size_t i = 0; i < published.size(); ++i) {
    const Pose pose = result.views[i].prior * published_from_world.inverse();
    worst_rotation = std::max(worst_rotation, rotation_angle_between(pose.R, published[i].pose.R));
    worst_centre =
        std::max(worst_centre, (pose.centre_mm() - published[i].pose.centre_mm()).norm() / radius);
  }
  RecordProperty("worst_rotation_1e9_rad", static_cast<int>(worst_rotation * 1e9));
  RecordProperty("worst_centre_1e9_radius", static_cast<int>(worst_centre * 1e9));
  EXPECT_LE(worst_rotation, 1e-6);
  EXPECT_LE(worst_centre, 1e-6);
}

}  // namespace single_axis_test
}  // namespace trunnion

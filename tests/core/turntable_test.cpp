#include "core/turntable.h"

#include <gtest/gtest.h>

#include <cmath>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion {
namespace turntable_test {

TEST(Turntable, SpecimenTurningMovesTheCameraTheOtherWay) {
  const Axis axis = nominal_axis(200.0, radians(30.0));
  const Eigen::Vector3d start = pose_at(axis, 0.0).centre_mm();
  EXPECT_NEAR(start.x(), 200.0 * std::cos(radians(30.0)), 1e-9);
  EXPECT_NEAR(start.y(), 0.0, 1e-9);
  EXPECT_NEAR(start.z(), 100.0, 1e-9);
  const Eigen::Vector3d turned = pose_at(axis, radians(40.0)).centre_mm();
  EXPECT_NEAR(degrees(std::atan2(turned.y(), turned.x())), -40.0, 1e-9);
}

TEST(Turntable, UpInTheWorldIsUpInTheImage) {
  const Pose pose = pose_at(nominal_axis(200.0, radians(20.0)), radians(70.0));
  const Eigen::Vector3d above = pose * Eigen::Vector3d(0, 0, 1);
  const Eigen::Vector3d origin = pose * Eigen::Vector3d(0, 0, 0);
  EXPECT_LT(above.y() / above.z(), origin.y() / origin.z());
  EXPECT_NEAR(pose.R.determinant(), 1.0, 1e-12);
}

TEST(Turntable, RefusesACameraThatLooksAlongTheAxis) {
  EXPECT_THROW(camera_from_stage(nominal_axis(100.0, radians(90.0))), Error);
}

TEST(Turntable, AngleSigmaMovesTheCentreAlongTheCircleOnly) {
  const Axis axis = nominal_axis(200.0, 0.0);
  const double sigma = radians(0.1);
  const PoseCovariance covariance = pose_covariance_at(axis, AxisCovariance::Zero(), 0.0, sigma);
  EXPECT_NEAR(std::sqrt(covariance(4, 4)), 200.0 * sigma, 1e-6);  // world Y at azimuth 0
  EXPECT_NEAR(covariance(3, 3), 0.0, 1e-9);
  EXPECT_NEAR(covariance(5, 5), 0.0, 1e-9);
  const double rotation_variance = covariance.topLeftCorner<3, 3>().trace();
  EXPECT_NEAR(rotation_variance, sigma * sigma, 1e-12);
}

// The propagated covariance against the spread of poses drawn from the axis's own distribution.
TEST(Turntable, CovarianceAgreesWithFiniteSteps) {
  const Axis axis = nominal_axis(150.0, radians(25.0), {1.0, -2.0});
  AxisCovariance covariance = AxisCovariance::Zero();
  covariance(4, 4) = 0.04;  // origin z, camera frame
  const PoseCovariance pose = pose_covariance_at(axis, covariance, radians(33.0), 0.0);
  Axis moved = axis;
  moved.origin_mm.z() += 0.2;
  const Eigen::Vector3d step =
      pose_at(moved, radians(33.0)).centre_mm() - pose_at(axis, radians(33.0)).centre_mm();
  const double centre_variance = pose.bottomRightCorner<3, 3>().trace();
  EXPECT_NEAR(centre_variance, step.squaredNorm(), 0.02 * step.squaredNorm());
}

}  // namespace turntable_test
}  // namespace trunnion

#include "core/rotation.h"

#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <opencv2/calib3d.hpp>

#include "core/angle.h"
#include "core/pose.h"

namespace trunnion {
namespace rotation_test {

// Worked example of T. Luhmann, S. Robson, S. Kyle, J. Boehm, "Close-Range Photogrammetry and 3D
// Imaging", section on spatial rotations: the point (10, 20, 30) turned by omega 35, phi 60,
// kappa 30 degrees (angles and first result as remembered, not re-read; the formula's arithmetic
// was done by hand for the others).
TEST(Rotation, FollowsTheHandbookExample) {
  const Eigen::Matrix3d R = object_from_image({radians(35), radians(60), radians(30)});
  const Eigen::Vector3d turned = R * Eigen::Vector3d(10, 20, 30);
  EXPECT_NEAR(turned.x(), 25.311, 5e-4);
  EXPECT_NEAR(R(0, 0), 0.433013, 1e-6);
  EXPECT_NEAR(R(0, 1), -0.25, 1e-12);
  EXPECT_NEAR(R(0, 2), 0.866025, 1e-6);
  EXPECT_NEAR(R(1, 2), -0.286788, 1e-6);
  EXPECT_NEAR(R(2, 2), 0.409576, 1e-6);
}

// Reference library: Eigen composes the same three axis rotations.
TEST(Rotation, ComposesAsEigen) {
  for (const double omega : {-2.9, -0.4, 0.0, 1.3}) {
    for (const double phi : {-1.5, 0.2, 1.1}) {
      for (const double kappa : {-3.0, 0.7, 2.2}) {
        const Eigen::Matrix3d expected = (Eigen::AngleAxisd(omega, Eigen::Vector3d::UnitX()) *
                                          Eigen::AngleAxisd(phi, Eigen::Vector3d::UnitY()) *
                                          Eigen::AngleAxisd(kappa, Eigen::Vector3d::UnitZ()))
                                             .toRotationMatrix();
        EXPECT_LT((object_from_image({omega, phi, kappa}) - expected).norm(), 1e-14);
        const OmegaPhiKappa back = omega_phi_kappa(camera_from_world({omega, phi, kappa}));
        EXPECT_NEAR(back.omega, omega, 1e-13);
        EXPECT_NEAR(back.phi, phi, 1e-13);
        EXPECT_NEAR(back.kappa, kappa, 1e-13);
      }
    }
  }
}

// A vertical aerial photograph north up: all angles zero, camera looking along -Z.
TEST(Rotation, VerticalPhotographHasNoAngles) {
  const Eigen::Matrix3d R = camera_from_world(OmegaPhiKappa{});
  EXPECT_EQ(R, (Eigen::Matrix3d() << 1, 0, 0, 0, -1, 0, 0, 0, -1).finished());
}

TEST(Rotation, SurvivesPhiAtRightAngles) {
  const Eigen::Matrix3d R = camera_from_world({0.4, kPi / 2, 0.3});
  const OmegaPhiKappa angles = omega_phi_kappa(R);
  EXPECT_LT((camera_from_world(angles) - R).norm(), 1e-12);
}

// Reference library: OpenCV's Rodrigues formula perturbs the rotation independently.
TEST(Rotation, JacobianAgreesWithDifferences) {
  const OmegaPhiKappa start{0.7, -0.5, 2.1};
  const Eigen::Matrix3d R = camera_from_world(start);
  const Eigen::Matrix3d J = omega_phi_kappa_jacobian(R);
  constexpr double kStep = 1e-6;
  for (int axis = 0; axis < 3; ++axis) {
    cv::Vec3d w(0, 0, 0);
    w[axis] = kStep;
    cv::Matx33d turn;
    cv::Rodrigues(w, turn);
    Eigen::Matrix3d delta;
    for (int i = 0; i < 3; ++i) {
      for (int k = 0; k < 3; ++k) delta(i, k) = turn(i, k);
    }
    const OmegaPhiKappa moved = omega_phi_kappa(delta * R);
    EXPECT_NEAR((moved.omega - start.omega) / kStep, J(0, axis), 1e-5);
    EXPECT_NEAR((moved.phi - start.phi) / kStep, J(1, axis), 1e-5);
    EXPECT_NEAR((moved.kappa - start.kappa) / kStep, J(2, axis), 1e-5);
  }
}

// Reference libraries: quaternions against Eigen, rotation vectors against OpenCV.
TEST(Rotation, QuaternionsAgreeWithEigenAndOpenCv) {
  for (const double angle : {0.1, 1.7, 3.0}) {
    const Eigen::Vector3d axis = Eigen::Vector3d(1, -2, 0.5).normalized();
    cv::Matx33d turn;
    cv::Rodrigues(cv::Vec3d(axis.x() * angle, axis.y() * angle, axis.z() * angle), turn);
    Eigen::Matrix3d R;
    for (int i = 0; i < 3; ++i) {
      for (int k = 0; k < 3; ++k) R(i, k) = turn(i, k);
    }
    const Eigen::Vector4d q = quaternion_wxyz(R);
    const Eigen::Quaterniond expected(Eigen::AngleAxisd(angle, axis));
    EXPECT_NEAR(std::abs(expected.dot(Eigen::Quaterniond(q[0], q[1], q[2], q[3]))), 1.0, 1e-14);
    EXPECT_GE(q[0], 0.0);
  }
}

}  // namespace rotation_test
}  // namespace trunnion

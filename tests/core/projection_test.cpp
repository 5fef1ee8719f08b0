#include "core/projection.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/calib3d.hpp>
#include <vector>

namespace trunnion {
namespace projection_test {

Camera camera_of(Projection projection) {
  Camera camera;
  camera.projection = projection;
  camera.width_px = 600;
  camera.height_px = 400;
  camera.fx = 1800;
  camera.fy = 1790;
  camera.cx = 305.5;
  camera.cy = 195.25;
  return camera;
}

const Pose kFirst{rotation_about(Eigen::Vector3d(1, 2, 3).normalized(), 0.4), {0.5, -0.3, 40}};
const Pose kSecond{rotation_about(Eigen::Vector3d(0, 1, 0.2).normalized(), -0.3), {-1, 0.2, 42}};
const std::vector<Eigen::Vector3d> kPoints{{1, 2, 3},   {-2, 1, 0.5}, {0, 0, 0},  {3, -1, -2},
                                           {-1, -3, 1}, {2, 2, -3},   {0, -2, 2}, {-3, 0, -1}};

TEST(ProjectionMatrix, ProjectsAsTheCamera) {
  for (const Projection projection : {Projection::perspective, Projection::telecentric}) {
    const Camera camera = camera_of(projection);
    const Projection34 P = projection_matrix(camera, kFirst);
    for (const Eigen::Vector3d& point : kPoints) {
      const Eigen::Vector3d seen = P * point.homogeneous();
      EXPECT_LT((seen.hnormalized() - project(camera, kFirst * point)).norm(), 1e-9);
    }
  }
}

// Reference library: OpenCV estimates the fundamental matrix from the pixels alone.
TEST(FundamentalMatrix, IsThatOfOpenCv) {
  const Camera camera = camera_of(Projection::perspective);
  const Projection34 a = projection_matrix(camera, kFirst);
  const Projection34 b = projection_matrix(camera, kSecond);
  std::vector<cv::Point2d> in_a;
  std::vector<cv::Point2d> in_b;
  for (const Eigen::Vector3d& point : kPoints) {
    const Eigen::Vector2d at_a = project(camera, kFirst * point);
    const Eigen::Vector2d at_b = project(camera, kSecond * point);
    in_a.emplace_back(at_a.x(), at_a.y());
    in_b.emplace_back(at_b.x(), at_b.y());
  }
  const cv::Mat reference = cv::findFundamentalMat(in_a, in_b, cv::FM_8POINT);
  ASSERT_EQ(reference.type(), CV_64F);
  Eigen::Matrix3d theirs;
  for (int i = 0; i < 9; ++i) theirs(i / 3, i % 3) = reference.at<double>(i / 3, i % 3);
  theirs /= theirs.norm();
  const Eigen::Matrix3d ours = fundamental_matrix(a, b);
  EXPECT_LT(std::min((ours - theirs).norm(), (ours + theirs).norm()), 1e-6);
}

TEST(FundamentalMatrix, HoldsForTelecentricCameras) {
  const Camera camera = camera_of(Projection::telecentric);
  const Eigen::Matrix3d F =
      fundamental_matrix(projection_matrix(camera, kFirst), projection_matrix(camera, kSecond));
  for (const Eigen::Vector3d& point : kPoints) {
    const Eigen::Vector2d a = project(camera, kFirst * point);
    const Eigen::Vector2d b = project(camera, kSecond * point);
    const Eigen::Vector3d line = F * a.homogeneous();
    EXPECT_LT(std::abs(b.homogeneous().dot(line)) / line.head<2>().norm(), 1e-6);  // px
  }
}

}  // namespace projection_test
}  // namespace trunnion

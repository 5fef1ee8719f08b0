#include "core/camera.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/calib3d.hpp>

namespace trunnion {
namespace camera_test {

Camera macro_camera() {
  Camera camera;
  camera.width_px = 600;
  camera.height_px = 400;
  camera.fx = 1800;
  camera.fy = 1805;
  camera.cx = 305.5;
  camera.cy = 195.25;
  camera.distortion = {-0.21, 0.35, 0.0012, -0.0007, 0.4};
  return camera;
}

// Reference library: OpenCV's projectPoints implements the same model independently.
TEST(Camera, ProjectsAsOpenCv) {
  const Camera camera = macro_camera();
  const cv::Matx33d k(camera.fx, 0, camera.cx, 0, camera.fy, camera.cy, 0, 0, 1);
  const std::vector<double> dist(camera.distortion.begin(), camera.distortion.end());
  for (double x = -0.15; x <= 0.15; x += 0.05) {
    for (double y = -0.1; y <= 0.1; y += 0.05) {
      const std::vector<cv::Point3d> points{{x * 7, y * 7, 7}};
      std::vector<cv::Point2d> pixels;
      cv::projectPoints(points, cv::Vec3d(), cv::Vec3d(), k, dist, pixels);
      const Eigen::Vector2d ours = project(camera, {x * 7, y * 7, 7});
      EXPECT_NEAR(ours.x(), pixels[0].x, 1e-9);
      EXPECT_NEAR(ours.y(), pixels[0].y, 1e-9);
    }
  }
}

TEST(Camera, UndistortInvertsDistort) {
  const Camera camera = macro_camera();
  for (double u = 0; u < camera.width_px; u += 37) {
    for (double v = 0; v < camera.height_px; v += 41) {
      const Eigen::Vector2d ray = normalise(camera, {u, v});
      const Eigen::Vector2d back = project(camera, {ray.x(), ray.y(), 1.0});
      EXPECT_NEAR(back.x(), u, 1e-9);
      EXPECT_NEAR(back.y(), v, 1e-9);
    }
  }
}

TEST(Camera, FoldedDistortionHasNoInverse) {
  Camera camera = macro_camera();
  camera.distortion = {-1.0, 0, 0, 0, 0};  // r (1 - r^2) peaks at 0.385
  EXPECT_TRUE(std::isnan(undistort_point(camera, {0.5, 0.0}).x()));
  EXPECT_NEAR(undistort_point(camera, {0.3, 0.0}).x(), 0.3389, 1e-4);
}

TEST(Camera, TelecentricIgnoresDepth) {
  Camera camera = macro_camera();
  camera.projection = Projection::telecentric;
  camera.distortion = {1e-3, 0, 0, 0, 0};
  EXPECT_EQ(project(camera, {0.1, 0.05, 10}), project(camera, {0.1, 0.05, 900}));
}

TEST(Camera, PointsBehindAPerspectiveCameraAreNowhere) {
  EXPECT_TRUE(std::isnan(project(macro_camera(), {0, 0, -1}).x()));
}

}  // namespace camera_test
}  // namespace trunnion

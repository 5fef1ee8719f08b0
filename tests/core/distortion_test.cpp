#include "core/distortion.h"

#include <ceres/jet.h>
#include <gtest/gtest.h>

#include <array>
#include <opencv2/calib3d.hpp>

#include "core/camera.h"

namespace trunnion {
namespace distortion_test {

constexpr std::array<double, 5> kTerms{-0.21, 0.35, 0.0012, -0.0007, 0.4};

// Reference library: OpenCV's projectPoints implements the same polynomial independently.
TEST(Distortion, IsThatOfOpenCv) {
  const std::vector<double> terms(kTerms.begin(), kTerms.end());
  for (double x = -0.4; x <= 0.4; x += 0.1) {
    for (double y = -0.3; y <= 0.3; y += 0.1) {
      std::vector<cv::Point2d> reference;
      cv::projectPoints(std::vector<cv::Point3d>{{x, y, 1.0}}, cv::Vec3d(), cv::Vec3d(),
                        cv::Matx33d::eye(), terms, reference);
      const Eigen::Vector2d ours = distorted(kTerms.data(), x, y);
      EXPECT_NEAR(ours.x(), reference[0].x, 1e-14);
      EXPECT_NEAR(ours.y(), reference[0].y, 1e-14);
    }
  }
}

// Reference library: Ceres differentiates by the chain rule; the camera's Jacobian is written out.
TEST(Distortion, ItsDerivativeIsTheCamerasJacobian) {
  using Jet = ceres::Jet<double, 2>;
  Camera camera;
  camera.distortion = kTerms;
  std::array<Jet, 5> terms;
  for (std::size_t i = 0; i < terms.size(); ++i) terms[i] = Jet(kTerms[i]);
  for (double x = -0.4; x <= 0.4; x += 0.2) {
    for (double y = -0.3; y <= 0.3; y += 0.2) {
      const Eigen::Matrix<Jet, 2, 1> jets = distorted(terms.data(), Jet(x, 0), Jet(y, 1));
      const Eigen::Matrix2d jacobian = distort_jacobian(camera, {x, y});
      for (int row = 0; row < 2; ++row) {
        for (int column = 0; column < 2; ++column) {
          EXPECT_NEAR(jets[row].v[column], jacobian(row, column), 1e-13);
        }
      }
    }
  }
}

}  // namespace distortion_test
}  // namespace trunnion

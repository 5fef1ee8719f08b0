// Zhang's published data: five views of a planar target and the result in Z. Zhang, "A flexible new
// technique for camera calibration", IEEE PAMI 22(11), 2000, table 1, five images: alpha 832.5,
// beta 832.53, u0 303.96, v0 206.58, k1 -0.2286, k2 0.1903, RMS 0.335 px; standard deviations (from
// memory of the table) 1.41, 1.38, 0.71, 0.66, 0.003, 0.025.
#include <gtest/gtest.h>

#include <fmt/format.h>

#include <fstream>

#include "stages/calibrate_lens/calibrate_lens.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace lens_zhang_test {

std::vector<Eigen::Vector2d> read_points(const std::filesystem::path& file) {
  std::ifstream stream(file);
  std::vector<Eigen::Vector2d> points;
  for (double x = 0, y = 0; stream >> x >> y;) points.emplace_back(x, y);
  return points;
}

TEST(LensZhang, PublishedParametersWithinOnePublishedSigma) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "zhang2000");
  const auto model_points = read_points(folder / "Model.txt");
  ASSERT_EQ(model_points.size(), 256U);
  Eigen::Vector2d middle = Eigen::Vector2d::Zero();
  for (const Eigen::Vector2d& point : model_points) middle += point / 256.0;
  std::vector<calibrate_lens::Corners> boards;
  for (int i = 1; i <= 5; ++i) {
    calibrate_lens::Corners corners;
    corners.image_px = read_points(folder / fmt::format("data{}.txt", i));
    ASSERT_EQ(corners.image_px.size(), 256U);
    for (const Eigen::Vector2d& point : model_points) {
      corners.board_mm.push_back((point - middle) * 25.4);
    }
    corners.used.assign(256, 1);
    boards.push_back(corners);
  }
  const calibrate_lens::Frame frame{640, 480};
  // The paper's model: two radial terms, both scales, principal point and skew.
  const calibrate_lens::Model model{Projection::perspective, 2, false, false, true, true, true};
  const calibrate_lens::Fit fit = calibrate_lens::fit_model(frame, model, boards, {});
  const Camera camera = calibrate_lens::to_camera(frame, model, fit.camera);
  EXPECT_NEAR(camera.fx, 832.5, 1.41);
  EXPECT_NEAR(camera.fy, 832.53, 1.38);
  EXPECT_NEAR(camera.cx, 303.959, 0.71);
  EXPECT_NEAR(camera.cy, 206.585, 0.66);
  EXPECT_NEAR(camera.distortion[0], -0.228601, 0.003);
  EXPECT_NEAR(camera.distortion[1], 0.190353, 0.025);
  EXPECT_NEAR(fit.rms_px, 0.335, 0.01 * 0.335);
  EXPECT_NEAR(fit.camera[calibrate_lens::kSkew] * camera.fx, 0.2045, 0.078);  // gamma, px
  fmt::print("Zhang: {:.3f} {:.3f} {:.3f} {:.3f} {:.5f} {:.5f} gamma {:.4f} rms {:.5f}\n",
             camera.fx, camera.fy, camera.cx, camera.cy, camera.distortion[0], camera.distortion[1],
             fit.camera[calibrate_lens::kSkew] * camera.fx, fit.rms_px);
  // Our own model has no skew; the reference library's result without it (OpenCV 4.6) is 832.21,
  // 832.24, 304.07, 206.37, RMS 0.3369.
  const calibrate_lens::Model plain{Projection::perspective, 2, false, false, true, false, true};
  const calibrate_lens::Fit without = calibrate_lens::fit_model(frame, plain, boards, {});
  const Camera simple = calibrate_lens::to_camera(frame, plain, without.camera);
  EXPECT_NEAR(simple.fx, 832.21, 0.05);
  EXPECT_NEAR(simple.fy, 832.24, 0.05);
  EXPECT_NEAR(simple.cx, 304.07, 0.05);
  EXPECT_NEAR(simple.cy, 206.37, 0.05);
  EXPECT_NEAR(without.rms_px, 0.3369, 0.0002);
}

}  // namespace lens_zhang_test
}  // namespace trunnion

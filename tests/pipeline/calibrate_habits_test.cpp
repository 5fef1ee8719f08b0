// The demo's boards, made with every fusion habit and calibrated as a user would: each habit must
// give its own camera and axis. The truth is the demo renderer's.
#include <gtest/gtest.h>

#include <fmt/format.h>

#include <algorithm>

#include "config/calibration_record.h"
#include "core/angle.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

// Undistorted minus distorted position of a pixel.
Eigen::Vector2d correction(const Camera& camera, const Eigen::Vector2d& pixel) {
  const Eigen::Vector2d ray = normalise(camera, pixel);
  return Eigen::Vector2d(camera.fx * ray.x() + camera.cx, camera.fy * ray.y() + camera.cy) - pixel;
}

double worst_correction_error(const Camera& found, const Camera& truth) {
  double worst = 0;
  for (int v = 0; v < truth.height_px; v += 20) {
    for (int u = 0; u < truth.width_px; u += 20) {
      const Eigen::Vector2d pixel(u, v);
      worst = std::max(worst, (correction(found, pixel) - correction(truth, pixel)).norm());
    }
  }
  return worst;
}

// Where points of a specimen of 8 mm land by the found and by the true camera and axis: principal
// distance and distance may trade against each other, what they do to the image may not.
double worst_point_error(const CalibrationRecord& found, const CalibrationRecord& truth) {
  const auto land = [](const CalibrationRecord& record, std::size_t ring,
                       const Eigen::Vector3d& point) {
    const Camera& camera = record.lens->camera;
    const Pose pose = camera_from_stage(record.axis->rings[ring].axis,
                                        camera.projection == Projection::telecentric);
    return project(camera, pose * point);
  };
  double worst = 0;
  for (std::size_t ring = 0; ring < truth.axis->rings.size(); ++ring) {
    for (int i = 0; i < 27; ++i) {
      const Eigen::Vector3d point = 4.0 * Eigen::Vector3d(i % 3 - 1, i / 3 % 3 - 1, i / 9 - 1);
      worst = std::max(worst, (land(found, ring, point) - land(truth, ring, point)).norm());
    }
  }
  return worst;
}

class CalibrateHabits : public testing::TestWithParam<const char*> {};

TEST_P(CalibrateHabits, SlowLensAndAxisAreTheTrueOnes) {
  const test::TemporaryFolder folder;
  const std::string demo = (folder.path() / "demo").string();
  const std::string setup = demo + "/setups/demo.toml";
  auto run =
      test::run_trunnion({"demo", demo, "--habit", GetParam(), "--stations", "3", "--quiet"});
  ASSERT_EQ(run.exit_code, 0) << run.err;
  run = test::run_trunnion({"calibrate", "lens", setup, "--images", demo + "/boards/lens/*.tif",
                            "--board", "11x8", "--square", "0.9"});
  ASSERT_EQ(run.exit_code, 0) << run.out << run.err;
  run = test::run_trunnion({"calibrate", "axis", setup, "--images", demo + "/boards/axis/*.tif",
                            "--board", "11x8", "--square", "0.9", "--angles",
                            demo + "/boards/axis/angles.csv"});
  ASSERT_EQ(run.exit_code, 0) << run.out << run.err;

  const CalibrationRecord found = read_record(record_path(setup));
  const CalibrationRecord truth = read_record(demo + "/truth/demo.calibration.json");
  ASSERT_EQ(found.axis->rings.size(), truth.axis->rings.size());
  EXPECT_EQ(found.lens->camera.projection, truth.lens->camera.projection);
  EXPECT_EQ(found.lens->camera.projection == Projection::telecentric,
            std::string(GetParam()) == "orthographic");
  EXPECT_NEAR(found.lens->camera.fx, truth.lens->camera.fx,
              4.0 * std::sqrt(found.lens->covariance(0, 0)));
  const double undistortion = worst_correction_error(found.lens->camera, truth.lens->camera);
  const double points = worst_point_error(found, truth);
  double direction = 0;
  for (std::size_t ring = 0; ring < truth.axis->rings.size(); ++ring) {
    const Eigen::Vector3d& a = found.axis->rings[ring].axis.direction;
    const Eigen::Vector3d& b = truth.axis->rings[ring].axis.direction;
    direction = std::max(direction, degrees(std::atan2(a.cross(b).norm(), a.dot(b))));
  }
  fmt::print("{}: undistortion {:.3f} px, points {:.3f} px, axis {:.4f} degrees at worst; {}\n",
             GetParam(), undistortion, points, direction, found.lens->model);
  EXPECT_LE(undistortion, 0.15);
  EXPECT_LE(points, 0.5);
  EXPECT_LE(direction, 0.05);
}

INSTANTIATE_TEST_SUITE_P(Habits, CalibrateHabits,
                         testing::Values("rescaled", "orthographic", "lens"),
                         [](const auto& habit) { return std::string(habit.param); });

}  // namespace
}  // namespace trunnion

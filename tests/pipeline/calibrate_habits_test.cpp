// The demo's boards, made with every fusion habit and calibrated as a user would: each habit must
// give its own camera and axis. The truth is the demo renderer's.
#include <gtest/gtest.h>

#include <fmt/format.h>

#include <Eigen/QR>
#include <algorithm>

#include "config/calibration_record.h"
#include "core/angle.h"
#include "tests/support/demo_at_720.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace calibrate_habits_test {

namespace fs = std::filesystem;

// Undistorted minus distorted position of a pixel.
Eigen::Vector2d correction(const Camera& camera, const Eigen::Vector2d& pixel) {
  const Eigen::Vector2d ray = normalise(camera, pixel);
  return Eigen::Vector2d(camera.fx * ray.x() + camera.cx, camera.fy * ray.y() + camera.cy) - pixel;
}

// Within the circle that the demo's boards reach: three quarters of the half diagonal.
double worst_correction_error(const Camera& found, const Camera& truth) {
  double worst = 0;
  const Eigen::Vector2d centre(0.5 * (truth.width_px - 1), 0.5 * (truth.height_px - 1));
  for (int v = 0; v < truth.height_px; v += 20) {
    for (int u = 0; u < truth.width_px; u += 20) {
      const Eigen::Vector2d pixel(u, v);
      if ((pixel - centre).norm() > 0.75 * centre.norm()) continue;
      worst = std::max(worst, (correction(found, pixel) - correction(truth, pixel)).norm());
    }
  }
  return worst;
}

const Axis& axis_of(const CalibrationRecord& record, const std::string& ring) {
  const auto& rings = record.axis->rings;
  return std::find_if(rings.begin(), rings.end(),
                      [&ring](const RingAxis& candidate) { return candidate.ring == ring; })
      ->axis;
}

// Where the points of a specimen of 8 mm land, turned by `angle` and moved by `shift_mm` along the
// axis, one after the other.
Eigen::VectorXd landing(const CalibrationRecord& record, const std::string& ring, double angle,
                        double shift_mm) {
  const Camera& camera = record.lens->camera;
  const Pose pose =
      pose_at(axis_of(record, ring), angle, camera.projection == Projection::telecentric);
  Eigen::VectorXd places(54);
  for (int i = 0; i < 27; ++i) {
    const Eigen::Vector3d point(4.0 * (i % 3 - 1), 4.0 * (i / 3 % 3 - 1), 4.0 * (i / 9 - 1));
    places.segment<2>(2 * i) =
        project(camera, pose * (point + shift_mm * Eigen::Vector3d::UnitZ()));
  }
  return places;
}

// By the found and by the true camera and axis, up to the gauge: where angles count from and where
// on the axis the origin lies. Principal distance and distance may trade against each other, what
// they do to the image may not.
double worst_point_error(const CalibrationRecord& found, const CalibrationRecord& truth,
                         const std::string& ring) {
  const Eigen::VectorXd expected = landing(truth, ring, 0, 0);
  Eigen::Vector2d gauge = Eigen::Vector2d::Zero();
  Eigen::VectorXd error;
  for (int round = 0; round < 4; ++round) {
    constexpr double kStep = 1e-4;
    const Eigen::VectorXd here = landing(found, ring, gauge[0], gauge[1]);
    error = here - expected;
    Eigen::Matrix<double, Eigen::Dynamic, 2> slope(here.size(), 2);
    slope.col(0) = (landing(found, ring, gauge[0] + kStep, gauge[1]) - here) / kStep;
    slope.col(1) = (landing(found, ring, gauge[0], gauge[1] + kStep) - here) / kStep;
    gauge -= slope.colPivHouseholderQr().solve(error);
  }
  double worst = 0;
  for (int i = 0; i < 27; ++i) worst = std::max(worst, error.segment<2>(2 * i).norm());
  return worst;
}

class CalibrateHabits : public testing::TestWithParam<const char*> {};

TEST_P(CalibrateHabits, SlowLensAndAxisAreTheTrueOnes) {
  const test::TemporaryFolder folder;
  const std::string demo = (folder.path() / "demo").string();
  const std::string setup = demo + "/setups/demo.toml";
  std::vector<std::string> call = test::demo_command_at_720(demo);
  call.insert(call.end(), {"--habit", GetParam()});
  auto run = test::run_trunnion(call);
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
  ASSERT_EQ(found.axis->rings.size(), 2U);
  ASSERT_EQ(truth.axis->rings.size(), 2U);
  EXPECT_EQ(found.lens->camera.projection, truth.lens->camera.projection);
  EXPECT_EQ(found.lens->camera.projection == Projection::telecentric,
            std::string(GetParam()) == "orthographic");
  EXPECT_NEAR(found.lens->camera.fx, truth.lens->camera.fx,
              4.0 * std::sqrt(found.lens->covariance(0, 0)));
  const double undistortion = worst_correction_error(found.lens->camera, truth.lens->camera);
  double points = 0;
  double direction = 0;
  for (const RingAxis& ring : truth.axis->rings) {
    const Eigen::Vector3d& a = axis_of(found, ring.ring).direction;
    const Eigen::Vector3d& b = ring.axis.direction;
    points = std::max(points, worst_point_error(found, truth, ring.ring));
    direction = std::max(direction, degrees(std::atan2(a.cross(b).norm(), a.dot(b))));
  }
  fmt::print("{}: undistortion {:.3f} px, points {:.3f} px, axis {:.4f} degrees at worst; {}\n",
             GetParam(), undistortion, points, direction, found.lens->model);
  EXPECT_LE(undistortion, 0.15);
  EXPECT_LE(points, 0.5);
  EXPECT_LE(direction, 0.05);
}

// An axis belongs to the lens calibration it was found with.
TEST(CalibrateAgain, SlowANewLensCalibrationTakesTheOldAxisOut) {
  const test::TemporaryFolder folder;
  const std::string demo = (folder.path() / "demo").string();
  const std::string setup = demo + "/setups/demo.toml";
  ASSERT_EQ(test::run_trunnion(test::demo_command_at_720(demo)).exit_code, 0);
  fs::copy_file(demo + "/truth/demo.calibration.json", record_path(setup));
  ASSERT_TRUE(read_record(record_path(setup)).axis);
  const std::vector<std::string> call{
      "calibrate", "lens", setup,      "--images", demo + "/boards/lens/*.tif",
      "--board",   "11x8", "--square", "0.9"};
  const auto run = test::run_trunnion(call);
  ASSERT_EQ(run.exit_code, 0) << run.out << run.err;
  EXPECT_NE(run.out.find("axis in the record belongs to the former lens"), std::string::npos)
      << run.out;
  CalibrationRecord record = read_record(record_path(setup));
  EXPECT_FALSE(record.axis);
  // The same lens calibration again leaves an axis where it is.
  record.axis = read_record(demo + "/truth/demo.calibration.json").axis;
  write_record(record_path(setup), record);
  ASSERT_EQ(test::run_trunnion(call).exit_code, 0);
  EXPECT_TRUE(read_record(record_path(setup)).axis);
}

INSTANTIATE_TEST_SUITE_P(Habits, CalibrateHabits,
                         testing::Values("rescaled", "orthographic", "lens"),
                         [](const auto& habit) { return std::string(habit.param); });

}  // namespace calibrate_habits_test
}  // namespace trunnion

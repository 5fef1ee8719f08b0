// Straight lines of the demo's own target: the checkerboard, seen through the demo's true lens and
// undistorted with the true calibration.
#include <gtest/gtest.h>

#include <Eigen/Eigenvalues>
#include <cmath>
#include <map>
#include <opencv2/imgproc.hpp>

#include "datasets/demo_set.h"
#include "stages/undistort/undistort.h"
#include "tests/support/demo_at_720.h"

namespace trunnion::undistort {
namespace board_test {

// Largest distance of points from their least-squares line.
double bend(const std::vector<Eigen::Vector2d>& points) {
  Eigen::Vector2d mean = Eigen::Vector2d::Zero();
  for (const auto& p : points) mean += p / static_cast<double>(points.size());
  Eigen::Matrix2d scatter = Eigen::Matrix2d::Zero();
  for (const auto& p : points) scatter += (p - mean) * (p - mean).transpose();
  const Eigen::Vector2d normal =
      Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d>(scatter).eigenvectors().col(0);
  double largest = 0;
  for (const auto& p : points) largest = std::max(largest, std::abs(normal.dot(p - mean)));
  return largest;
}

double sample(const cv::Mat& image, const Eigen::Vector2d& at) {
  const int x = static_cast<int>(std::floor(at.x()));
  const int y = static_cast<int>(std::floor(at.y()));
  if (x < 0 || y < 0 || x + 1 >= image.cols || y + 1 >= image.rows) return std::nan("");
  const double fx = at.x() - x;
  const double fy = at.y() - y;
  const auto level = [&](int dx, int dy) { return image.at<std::uint16_t>(y + dy, x + dx) * 1.0; };
  return (1 - fy) * ((1 - fx) * level(0, 0) + fx * level(1, 0)) +
         fy * ((1 - fx) * level(0, 1) + fx * level(1, 1));
}

// Where the edge between a dark and a light square crosses the normal at `at`: the share of light
// on a stretch across it, which neither pixels nor interpolation change (a half-way level would
// move by up to 0.09 px in an edge as sharp as a pixel). NaN where there is no such edge.
Eigen::Vector2d edge_at(const cv::Mat& image, const Eigen::Vector2d& at,
                        const Eigen::Vector2d& normal) {
  constexpr double kReach_px = 6.0;
  constexpr int kSteps = 96;
  const auto side = [&](double sign) {
    double sum = 0;
    for (const double away : {4.5, 5.0, 5.5, 6.0}) sum += sample(image, at + sign * away * normal);
    return sum / 4;
  };
  const double first = side(-1);
  const double last = side(1);
  if (!(std::abs(last - first) > 5000)) return Eigen::Vector2d::Constant(std::nan(""));
  double beyond = 0;
  for (int i = 0; i < kSteps; ++i) {
    const double d = kReach_px * (2.0 * (i + 0.5) / kSteps - 1.0);
    beyond += (sample(image, at + d * normal) - first) / (last - first);
  }
  beyond *= 2.0 * kReach_px / kSteps;
  return at + (kReach_px - beyond) * normal;
}

// The largest bend over all inner lines of the board, which are edges of squares from end to end.
// `camera` is where the lines are looked for.
double largest_bend(const cv::Mat& image, const Camera& camera, const Pose& camera_from_board) {
  const demo::Board board;
  double largest = 0;
  const auto follow = [&](int lines, int squares, const auto& corner) {
    for (int line = 0; line < lines; ++line) {
      std::vector<Eigen::Vector2d> points;
      for (int square = 0; square + 1 < squares; ++square) {
        const Eigen::Vector2d from = project(camera, camera_from_board * corner(line, square));
        const Eigen::Vector2d to = project(camera, camera_from_board * corner(line, square + 1));
        const Eigen::Vector2d along = (to - from).normalized();
        // One point a square, the mean along its edge.
        Eigen::Vector2d mean = Eigen::Vector2d::Zero();
        for (int i = 0; i < 9; ++i) {
          mean +=
              edge_at(image, from + (0.3 + 0.05 * i) * (to - from), {-along.y(), along.x()}) / 9;
        }
        if (mean.allFinite()) points.push_back(mean);
      }
      if (points.size() >= 5) largest = std::max(largest, bend(points));
    }
  };
  follow(board.rows, board.columns, [&](int l, int s) { return board.corner(l, s); });
  follow(board.columns, board.rows, [&](int l, int s) { return board.corner(s, l); });
  return largest;
}

cv::Mat sixteen_bit(const cv::Mat& colour) {
  cv::Mat grey;
  cv::cvtColor(colour, grey, cv::COLOR_BGR2GRAY);
  grey.convertTo(grey, CV_16U, 65535.0);
  return grey;
}

// The demo's lens as it is, and one that bends twelve times as much.
TEST(UndistortBoard, LinesOfTheDemoTargetAreStraight) {
  demo::DemoOptions options = test::demo_at_720();
  options.stations = 3;
  const demo::DemoSet set(options);
  const auto shots = demo::lens_boards(set);
  for (const double strength : {1.0, 12.0}) {
    Camera lens = set.rig().camera;
    for (double& term : lens.distortion) term *= strength;
    double before = 0;
    double floor = 0;  // of the measurement: a board that no lens bent
    std::map<Interpolation, double> after;
    for (std::size_t i = 0; i < shots.size(); i += 4) {
      const Pose& pose = shots[i].camera_from_board;
      const cv::Mat image = sixteen_bit(demo::render_board({}, lens, pose, set.backdrop()).colour);
      const UndistortMap map = undistort_map(lens, {});
      for (const auto kind : {Interpolation::cubic, Interpolation::lanczos}) {
        cv::Mat straight = image.clone();
        undistort_image(straight, map, kind);
        after[kind] = std::max(after[kind], largest_bend(straight, map.to, pose));
      }
      before = std::max(before, largest_bend(image, lens, pose));
      const cv::Mat ideal =
          sixteen_bit(demo::render_board({}, map.to, pose, set.backdrop()).colour);
      floor = std::max(floor, largest_bend(ideal, map.to, pose));
    }
    std::printf(
        "lens times %g: largest bend %.3f px before, %.4f cubic, %.4f lanczos, %.4f with no lens\n",
        strength, before, after[Interpolation::cubic], after[Interpolation::lanczos], floor);
    RecordProperty("largest_bend_px", std::to_string(after[Interpolation::cubic]));
    EXPECT_GT(before, strength * 0.07) << "the lens must bend them, or nothing is shown";
    for (const auto& [kind, bent] : after) EXPECT_LE(bent, 0.05);  // the bar of the requirement
    EXPECT_EQ(after.size(), 2U);
  }
}

}  // namespace board_test
}  // namespace trunnion::undistort

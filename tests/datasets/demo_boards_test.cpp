#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "datasets/demo_set.h"
#include "tests/support/demo_at_720.h"

namespace trunnion::demo {
namespace demo_boards_test {

class BoardsOfEveryHabit : public testing::TestWithParam<FusionHabit> {};

// Corners as OpenCV's detector finds them in the rendered images lie where the truth puts them.
TEST_P(BoardsOfEveryHabit, CornersLieWhereTheTruthSays) {
  DemoOptions options = test::demo_at_720();
  options.stations = 3;
  options.habit = GetParam();
  const DemoSet set(options);
  const Board board;
  std::vector<BoardShot> shots = lens_boards(set);
  EXPECT_EQ(shots.size(), 15U);
  const std::vector<BoardShot> axis = axis_boards(set);
  EXPECT_EQ(axis.size(), 18U);
  shots.insert(shots.end(), axis.begin(), axis.begin() + 9);
  double squares = 0.0;
  int count = 0;
  // A few are enough here; the calibration tests use them all.
  for (std::size_t i = 0; i < shots.size(); i += 8) {
    const BoardShot& shot = shots[i];
    const RenderedView view =
        render_board(board, set.rig().camera, shot.camera_from_board, set.backdrop());
    cv::Mat grey;
    cv::cvtColor(expose(view.colour, set.sensor(), set.rig().camera, i), grey, cv::COLOR_BGR2GRAY);
    grey.convertTo(grey, CV_8U, 1.0 / 257.0);
    std::vector<cv::Point2f> found;
    ASSERT_TRUE(cv::findChessboardCornersSB(grey, {board.columns, board.rows}, found,
                                            cv::CALIB_CB_EXHAUSTIVE | cv::CALIB_CB_ACCURACY))
        << shot.name;
    const auto truth = [&](int row, int column) {
      return project(set.rig().camera, shot.camera_from_board * board.corner(row, column));
    };
    // The detector may number from the other end.
    const Eigen::Vector2d first = truth(0, 0);
    const bool turned = std::hypot(found[0].x - first.x(), found[0].y - first.y()) > 20.0;
    for (int row = 0; row < board.rows; ++row) {
      for (int column = 0; column < board.columns; ++column) {
        const int index = row * board.columns + column;
        const cv::Point2f& corner = found[static_cast<std::size_t>(
            turned ? board.rows * board.columns - 1 - index : index)];
        const Eigen::Vector2d error =
            truth(row, column) -
            Eigen::Vector2d(static_cast<double>(corner.x), static_cast<double>(corner.y));
        squares += error.squaredNorm();
        ++count;
      }
    }
  }
  ASSERT_EQ(count, 3 * board.rows * board.columns);
  RecordProperty("corner_rms_px", std::to_string(std::sqrt(squares / count)));
  EXPECT_LT(std::sqrt(squares / count), 0.15);
}

INSTANTIATE_TEST_SUITE_P(Demo, BoardsOfEveryHabit,
                         testing::Values(FusionHabit::rescaled, FusionHabit::orthographic,
                                         FusionHabit::lens));

// The lens's breathing makes a pinhole of its own: over the depth of a specimen the magnification
// of the used camera follows c(Z) / Z of the refocused series.
TEST(Rig, RefocusedSeriesIsAPinholeWithinAFiftiethPixel) {
  const Rig rescaled = make_rig({.habit = FusionHabit::rescaled});
  const Rig refocused = make_rig({.habit = FusionHabit::lens});
  const double z0 = rescaled.distance_mm;
  const double radius_mm = 4.0;
  double worst = 0.0;
  for (double dz = -4.0; dz <= 4.0; dz += 0.5) {
    const double c = rescaled.camera.fx * (1.0 - 0.12 * dz / z0);
    const double series = radius_mm * c / (z0 + dz);
    const double used = radius_mm * refocused.camera.fx / (refocused.distance_mm + dz);
    worst = std::max(worst, std::abs(series - used));
  }
  EXPECT_LT(worst, 0.02);
  EXPECT_GT(std::abs(refocused.camera.fx / rescaled.camera.fx - 1.0), 0.05);
}

TEST(Rig, MarksAreNotTheTruthButNearIt) {
  const Rig rig = make_rig({});
  EXPECT_NE(rig.setup.principal_distance_mm() * 1000.0 / rig.setup.pixel_pitch_um, rig.camera.fx);
  EXPECT_NEAR(rig.setup.object_distance_mm(), rig.distance_mm, 0.05 * rig.distance_mm);
  for (const TrueRing& ring : rig.rings) {
    EXPECT_NEAR(degrees(ring.elevation), degrees(ring.nominal.elevation), 1.2);
    for (std::size_t i = 0; i < ring.angles.size(); ++i) {
      EXPECT_NEAR(degrees(ring.angles[i]), degrees(ring.nominal.angle_of(static_cast<int>(i))),
                  0.07);
    }
  }
}

TEST(Faults, AreInTheSetAsAsked) {
  DemoOptions options;
  options.width_px = 216;
  options.height_px = 144;
  options.stations = 4;
  options.faults.missing = 1;
  options.faults.slip = 2;
  options.faults.reversed = true;
  options.faults.no_dust = true;
  const DemoSet set(options);
  EXPECT_EQ(set.views().size(), 7U);
  EXPECT_EQ(set.views()[1].name, "low_002");
  EXPECT_TRUE(set.sensor().dust.empty());
  const TrueRing& low = set.rig().rings[0];
  EXPECT_NEAR(degrees(low.angles[2]), -(180.0 + 2.5), 0.1);
  EXPECT_NEAR(degrees(low.angles[1]), -90.0, 0.1);

  DemoOptions plain = options;
  plain.faults = {};
  plain.faults.drift = 0.3;
  const DemoSet drifting(plain);
  const RenderedView view = drifting.render(drifting.views()[3]);
  const RenderedView first = drifting.render(drifting.views()[0]);
  const double last_level =
      cv::mean(drifting.fused(drifting.views()[3], view), view.coverage == 0)[1];
  const double first_level =
      cv::mean(drifting.fused(drifting.views()[0], first), first.coverage == 0)[1];
  EXPECT_NEAR(last_level / first_level, 1.3, 0.02);
}

TEST(Faults, BlurBandSoftensATenthOfTheDepthOnly) {
  DemoOptions options = test::demo_at_720();
  options.stations = 3;
  options.faults.blur_band = 0.5;
  const DemoSet set(options);
  const DemoView view = set.views()[0];
  const RenderedView rendered = set.render(view);
  double nearest = 0;
  double farthest = 0;
  cv::minMaxLoc(rendered.depth_mm, &nearest, &farthest, nullptr, nullptr, rendered.coverage > 0);
  DemoOptions sharp_options = options;
  sharp_options.faults = {};
  const DemoSet sharp_set(sharp_options);
  cv::Mat difference;
  cv::absdiff(set.fused(view, rendered, true), sharp_set.fused(view, rendered, true), difference);
  cv::Mat outside = rendered.coverage == 255;
  const double middle = 0.5 * (nearest + farthest);
  const double half = 0.05 * (farthest - nearest);
  const cv::Mat inside = (rendered.depth_mm > middle - 0.5 * half) &
                         (rendered.depth_mm < middle + 0.5 * half) & outside;
  outside &= (rendered.depth_mm < middle - half) | (rendered.depth_mm > middle + half);
  EXPECT_EQ(cv::mean(difference, outside)[0], 0.0);
  EXPECT_GT(cv::mean(difference, inside)[0], 0.01 * 65535);
}

}  // namespace demo_boards_test
}  // namespace trunnion::demo

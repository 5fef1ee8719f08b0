// Boards of every kind as the renderer shows them: corners against the truth, sharp, defocused and
// with a reflection.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <cmath>
#include <map>
#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "core/board_numbering.h"
#include "datasets/demo_set.h"
#include "tests/support/demo_at_720.h"

namespace trunnion::demo {
namespace board_kinds_test {

struct Case {
  const char* name;
  Board board;
  double limit_px;  // RMS of a coordinate over all poses, sharp
};

Board board_of(BoardKind kind, int columns, int rows, double square_mm) {
  Board board;
  board.kind = kind;
  board.columns = columns;
  board.rows = rows;
  board.square_mm = square_mm;
  return board;
}

const Case kCases[] = {
    {"checkerboard", board_of(BoardKind::checkerboard, 11, 8, 0.9), 0.05},
    {"charuco", board_of(BoardKind::coded, 11, 8, 0.9), 0.08},
    {"circles", board_of(BoardKind::circles, 11, 8, 0.9), 0.03},
    {"staggered", board_of(BoardKind::staggered, 4, 11, 0.75), 0.03},
};

const DemoSet& demo() {
  static const DemoSet set = [] {
    DemoOptions options;
    options.width_px = 1200;
    options.height_px = 800;
    options.stations = 3;
    return DemoSet(options);
  }();
  return set;
}

Pose pose_of(const Board& board, double about_x, double about_y, double about_z,
             const Eigen::Vector2d& offset_mm) {
  Pose pose;
  pose.R = rotation_about(Eigen::Vector3d::UnitX(), radians(about_x)) *
           rotation_about(Eigen::Vector3d::UnitY(), radians(about_y)) *
           rotation_about(Eigen::Vector3d::UnitZ(), radians(about_z));
  pose.t = Eigen::Vector3d(offset_mm.x(), offset_mm.y(), demo().rig().distance_mm) -
           pose.R * board.centre();
  return pose;
}

cv::Mat photograph(const RenderedView& rendered, const BoardFlaws& flaws) {
  RenderedView view = rendered;
  view.colour = rendered.colour.clone();
  spoil(view, flaws);
  return expose(view.colour, demo().sensor(), demo().rig().camera, 7);
}

// Measured minus true positions under the placement on the board that fits best.
std::vector<Eigen::Vector2d> errors_of(const BoardView& found, const Board& board,
                                       const Pose& pose) {
  std::vector<Eigen::Vector2d> best;
  double least = 1e300;
  const BoardPart part{found.columns, found.rows, found.first_dark};
  const auto possible =
      found.oriented ? std::vector<Placement>{Placement{}} : placements(part, board.pattern());
  for (const Placement& placement : possible) {
    std::vector<Eigen::Vector2d> errors;
    double sum = 0;
    for (const BoardCorner& corner : placed(found.corners, placement)) {
      const Eigen::Vector2d truth =
          project(demo().rig().camera, pose * board.corner(corner.row, corner.column));
      errors.push_back(corner.position_px - truth);
      sum += errors.back().squaredNorm();
    }
    if (sum >= least) continue;
    least = sum;
    best = std::move(errors);
  }
  return best;
}

struct Figures {
  double rms_px = 0;   // of a coordinate
  double bias_px = 0;  // length of the mean error, the worst image
  double worst_px = 0;
  double found = 0;  // share of the corners in the frame
};

class BoardKinds : public testing::TestWithParam<Case> {
 protected:
  static void add(const BoardView& view, const Board& board, const Pose& pose, Figures& figures,
                  int& count, int& images) {
    const auto errors = errors_of(view, board, pose);
    Eigen::Vector2d mean = Eigen::Vector2d::Zero();
    for (const Eigen::Vector2d& e : errors) {
      figures.rms_px += e.squaredNorm();
      figures.worst_px = std::max(figures.worst_px, e.norm());
      mean += e / static_cast<double>(errors.size());
      ++count;
    }
    figures.bias_px = std::max(figures.bias_px, mean.norm());
    ++images;
  }
};

TEST_P(BoardKinds, SlowCornersLieWhereTheTruthSays) {
  const Board& board = GetParam().board;
  const std::vector<Pose> poses{pose_of(board, 4, -3, 2, {0, 0}),
                                pose_of(board, 28, 20, 15, {0.5, -0.3}),
                                pose_of(board, -20, 33, -8, {-0.6, 0.4}),
                                pose_of(board, 12, -25, 4, {8.0, 0.5})};  // a third out of frame
  std::vector<RenderedView> rendered;
  for (const Pose& pose : poses) {
    rendered.push_back(render_board(board, demo().rig().camera, pose, demo().backdrop()));
  }
  BoardFlaws defocus;
  defocus.blur_left_px = 0.8;
  defocus.blur_right_px = 2.5;
  BoardFlaws glare;
  glare.glare = 0.5;
  const std::map<std::string, BoardFlaws> flaws{
      {"a sharp", {}}, {"b defocus", defocus}, {"c glare", glare}};
  for (const auto& [name, flaw] : flaws) {
    Figures figures;
    int count = 0;
    int images = 0;
    for (std::size_t i = 0; i < poses.size(); ++i) {
      const BoardView view = find_board(photograph(rendered[i], flaw), board.pattern());
      EXPECT_TRUE(view.found) << name << " pose " << i << ": " << view.reason;
      if (view.found) add(view, board, poses[i], figures, count, images);
      fmt::print("  {} {} pose {}: {} corners, {} x {}, oriented {}\n", GetParam().name, name, i,
                 view.corners.size(), view.columns, view.rows, view.oriented);
    }
    if (count == 0) continue;
    figures.rms_px = std::sqrt(0.5 * figures.rms_px / count);
    fmt::print(
        "{} {}: {} images, {} corners, RMS {:.4f} px, worst bias of an image {:.4f} px, worst "
        "corner {:.3f} px\n",
        GetParam().name, name, images, count, figures.rms_px, figures.bias_px, figures.worst_px);
    EXPECT_LE(figures.rms_px, name == "a sharp" ? GetParam().limit_px : 0.25) << name;
  }
}

INSTANTIATE_TEST_SUITE_P(Rendered, BoardKinds, testing::ValuesIn(kCases),
                         [](const auto& kind) { return std::string(kind.param.name); });

}  // namespace board_kinds_test
}  // namespace trunnion::demo

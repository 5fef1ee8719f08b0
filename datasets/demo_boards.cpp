// How the demo's checkerboards stand: held freely before the lens, and fixed to the stage.
#include <fmt/format.h>

#include <array>

#include "core/angle.h"
#include "datasets/demo_set.h"
#include "datasets/random.h"

namespace trunnion::demo {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector3d;

struct Stand {
  double right, down;                // place of the centre, share of the room that the plate leaves
  double about_x, about_y, about_z;  // deg
};
// Varied in place and tilt, so that focal length, centre and distortion all show.
constexpr std::array<Stand, 15> kStands{{
    {0.0, 0.0, 3, -2, 1},
    {-0.9, -0.9, 24, 22, 4},
    {0.9, -0.9, 26, -24, -5},
    {-0.9, 0.9, -25, 24, -3},
    {0.9, 0.9, -27, -23, 6},
    {0.0, -1.0, 38, 4, 12},
    {0.0, 1.0, -38, -5, -10},
    {-1.0, 0.0, 4, 38, 8},
    {1.0, 0.0, -5, -38, -7},
    {0.3, 0.2, 30, 30, 90},
    {-0.3, -0.2, -30, 28, 85},
    {0.8, -0.3, 12, -34, 178},
    {-0.8, 0.4, -14, 35, 2},
    {0.4, 0.8, -33, 10, -18},
    {-0.5, -0.8, 34, -12, 20},
}};

Matrix3d turned(double about_x_deg, double about_y_deg, double about_z_deg) {
  return rotation_about(Vector3d::UnitX(), radians(about_x_deg)) *
         rotation_about(Vector3d::UnitY(), radians(about_y_deg)) *
         rotation_about(Vector3d::UnitZ(), radians(about_z_deg));
}

}  // namespace

std::vector<BoardShot> lens_boards(const DemoSet& set) {
  const Rig& rig = set.rig();
  const Board board;
  Draws draws(set.options().seed, 61);
  std::vector<BoardShot> shots;
  for (const Stand& stand : kStands) {
    BoardShot shot;
    shot.name = fmt::format("board_{:02}", shots.size() + 1);
    Pose& pose = shot.camera_from_board;
    pose.R = turned(stand.about_x + draws.uniform(-2, 2), stand.about_y + draws.uniform(-2, 2),
                    stand.about_z + draws.uniform(-2, 2));
    // The room left around the tilted plate, so that it just stays in the frame.
    const double half_width = 0.5 * board.plate_width_mm();
    const double half_height = 0.5 * board.plate_height_mm();
    const Eigen::Vector2d reach = half_width * pose.R.col(0).head<2>().cwiseAbs() +
                                  half_height * pose.R.col(1).head<2>().cwiseAbs();
    const Eigen::Vector2d field =
        0.485 * rig.object_pixel_mm * Eigen::Vector2d(rig.camera.width_px, rig.camera.height_px);
    const Eigen::Vector2d room = (field - reach).cwiseMax(0.0);
    const Vector3d centre(stand.right * room.x(), stand.down * room.y(),
                          rig.distance_mm + draws.uniform(-1.5, 1.5));
    pose.t = centre - pose.R * board.centre();
    shots.push_back(shot);
  }
  return shots;
}

std::vector<BoardShot> axis_boards(const DemoSet& set) {
  const Rig& rig = set.rig();
  const Board board;
  Draws draws(set.options().seed, 62);
  std::vector<BoardShot> shots;
  // One placement for all rings: it ties their axes to one origin. Upright on the stage, its face
  // to the camera at angle 0 and leant back by about the rings' mean elevation; columns run along
  // +Y of the stage (the camera's right), rows down.
  double elevation = 0;
  for (const TrueRing& ring : rig.rings) elevation += ring.elevation;
  elevation /= static_cast<double>(rig.rings.size());
  Matrix3d stage_from_upright;
  stage_from_upright.col(0) = Vector3d::UnitY();
  stage_from_upright.col(1) = -Vector3d::UnitZ();
  stage_from_upright.col(2) = -Vector3d::UnitX();
  Pose stage_from_board;
  stage_from_board.R =
      stage_from_upright * turned(-0.6 * degrees(elevation) - 4.0, draws.uniform(-3, 3), 2.0);
  stage_from_board.t =
      Vector3d(draws.uniform(-0.5, 0.5), draws.uniform(-0.4, 0.4), draws.uniform(-0.3, 0.3)) -
      stage_from_board.R * board.centre();
  for (const TrueRing& ring : rig.rings) {
    const Pose camera_from_stage = ring.camera_from_stage(rig.telecentric);
    for (int angle_deg = -56; angle_deg <= 56; angle_deg += 14) {
      BoardShot shot;
      shot.ring = ring.nominal.name;
      shot.name = fmt::format("{}_{:02}", shot.ring, (angle_deg + 56) / 14 + 1);
      shot.stage_angle = radians(angle_deg);
      const double angle = shot.stage_angle + rig.sigma_angle * draws.normal();
      const Pose turn{rotation_about(Vector3d::UnitZ(), angle), Vector3d::Zero()};
      shot.camera_from_board = camera_from_stage * turn * stage_from_board;
      shots.push_back(shot);
    }
  }
  return shots;
}

}  // namespace trunnion::demo

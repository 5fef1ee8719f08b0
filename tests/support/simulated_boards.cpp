#include "tests/support/simulated_boards.h"

#include <fmt/format.h>

#include <cmath>
#include <numbers>

namespace trunnion::test {

namespace {

double px_per_mm(const SimulatedRig& rig) {
  return rig.camera.projection == Projection::telecentric ? rig.camera.fx
                                                          : rig.camera.fx / rig.distance_mm;
}

}  // namespace

double square_for(const SimulatedRig& rig, const Shoot& shoot) {
  return shoot.board_share * rig.camera.height_px / px_per_mm(rig) / (shoot.pattern.rows + 1);
}

std::vector<calibrate_lens::BoardImage> shoot_boards(const SimulatedRig& rig, const Shoot& shoot,
                                                     std::mt19937& random) {
  std::normal_distribution<double> noise(0.0, shoot.noise_px);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  const BoardPattern& pattern = shoot.pattern;
  const double scale = px_per_mm(rig);
  const double room_x =
      0.5 * (rig.camera.width_px / scale - (pattern.columns + 1) * pattern.square_mm);
  const double room_y =
      0.5 * (rig.camera.height_px / scale - (pattern.rows + 1) * pattern.square_mm);
  std::vector<calibrate_lens::BoardImage> images;
  for (int b = 0; b < shoot.boards; ++b) {
    const double tilt = shoot.max_tilt * std::sqrt(0.5 * (uniform(random) + 1.0));
    const double direction = std::numbers::pi * uniform(random);
    const double roll = 0.3 * uniform(random);
    Pose pose;
    pose.R = rotation_about({std::cos(direction), std::sin(direction), 0}, tilt) *
             rotation_about({0, 0, 1}, roll);
    pose.t = {
        shoot.spread * (std::abs(room_x) + 0.15 * rig.camera.width_px / scale) * uniform(random),
        shoot.spread * (std::abs(room_y) + 0.15 * rig.camera.height_px / scale) * uniform(random),
        rig.distance_mm * (1.0 + 0.02 * uniform(random))};
    calibrate_lens::BoardImage image;
    image.name = fmt::format("board_{:02}.tif", b);
    image.width_px = rig.camera.width_px;
    image.height_px = rig.camera.height_px;
    image.view.found = true;
    image.view.columns = pattern.columns;
    image.view.rows = pattern.rows;
    for (int row = 0; row < pattern.rows; ++row) {
      for (int column = 0; column < pattern.columns; ++column) {
        const Eigen::Vector3d corner((column - 0.5 * (pattern.columns - 1)) * pattern.square_mm,
                                     (row - 0.5 * (pattern.rows - 1)) * pattern.square_mm, 0);
        const Eigen::Vector2d pixel = project(rig.camera, pose * corner);
        if (!(pixel.x() > 5 && pixel.y() > 5 && pixel.x() < rig.camera.width_px - 6 &&
              pixel.y() < rig.camera.height_px - 6)) {
          continue;
        }
        BoardCorner found{.column = column, .row = row};
        found.position_px = pixel + Eigen::Vector2d(noise(random), noise(random));
        image.view.corners.push_back(found);
      }
    }
    image.view.complete =
        image.view.corners.size() == static_cast<std::size_t>(pattern.columns * pattern.rows);
    images.push_back(std::move(image));
  }
  return images;
}

}  // namespace trunnion::test

// Exact corners of a board on a turntable, with noise, for tests of the axis calibration.
#pragma once

#include <cmath>
#include <random>
#include <vector>

#include "core/angle.h"
#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion::test {

struct SimulatedAxis {
  calibrate_axis::AxisRequest request;
  Axis truth;
};

inline double direction_error(const Axis& a, const Axis& b) {
  return std::atan2(a.direction.cross(b.direction).norm(), a.direction.dot(b.direction));
}

// Distance of the found axis from the true one at the true origin, across the axis.
inline double position_error(const Axis& found, const Axis& truth) {
  const Eigen::Vector3d d = found.origin_mm - truth.origin_mm;
  return (d - found.direction * d.dot(found.direction)).norm();
}

struct AxisScene {
  int stations = 12;
  double spread = radians(120.0);      // from the first to the last station
  double noise_px = 0.1;               // of a coordinate of a corner
  double sigma_angle = radians(0.01);  // of where the stage stops
  double elevation = radians(25.0);
  Eigen::Vector2d offset_mm{0.4, -0.3};
  bool telecentric = false;
  Tilt tilt{};  // the board rides on the second axis
  BoardPattern pattern{11, 8, 0.9};
  double frame_px = 6000;  // corners further right are out of frame
};

// A camera at 1:1, 6000 x 4000 pixels of 4 um, projection centre 200 mm from the axis; a board of
// 11 x 8 corners, 0.9 mm apart, stands tilted on the stage.
inline SimulatedAxis simulate_axis(const AxisScene& scene, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  SimulatedAxis set;
  calibrate_axis::AxisRequest& request = set.request;
  request.camera = {Projection::perspective, 6000, 4000, 50000, 50000, 2999.5, 1999.5, {}};
  if (scene.telecentric) {
    request.camera.projection = Projection::telecentric;
    request.camera.fx = request.camera.fy = 250.0;  // px per mm: 1:1
  }
  request.pattern = scene.pattern;
  request.rings = {"ring"};
  request.elevations = {scene.elevation};
  set.truth = nominal_axis(200.0, scene.elevation, scene.offset_mm);
  // As the calibration has it: the point of the axis next to the optical axis.
  const Eigen::Vector2d d = set.truth.direction.head<2>();
  set.truth.origin_mm -=
      set.truth.direction * (set.truth.origin_mm.head<2>().dot(d) / d.squaredNorm());
  // The board faces the camera half-way through and leans back by 20 degrees.
  Eigen::Matrix3d upright;
  upright.col(0) = Eigen::Vector3d::UnitY();
  upright.col(1) = -Eigen::Vector3d::UnitZ();
  upright.col(2) = -Eigen::Vector3d::UnitX();
  const Eigen::Matrix3d R = rotation_about(Eigen::Vector3d::UnitY(), radians(-20.0)) * upright;
  const double square = scene.pattern.square_mm;
  const int columns = scene.pattern.lattice_columns();
  const int rows = scene.pattern.lattice_rows();
  const Eigen::Vector3d middle(0.5 * (columns - 1) * square, 0.5 * (rows - 1) * square, 0.0);
  const Pose board{R, Eigen::Vector3d(1.0, 0.5, 0.8) - R * middle};
  for (int i = 0; i < scene.stations; ++i) {
    calibrate_axis::AxisSighting sighting;
    sighting.name = "board_" + std::to_string(i);
    sighting.stage_angle =
        scene.stations > 1 ? scene.spread * (i / (scene.stations - 1.0) - 0.5) : 0.0;
    const double angle = sighting.stage_angle + scene.sigma_angle * normal(random);
    const Pose pose = pose_at(set.truth, angle, scene.telecentric, scene.tilt) * board;
    for (int row = 0; row < rows; ++row) {
      for (int column = 0; column < columns; ++column) {
        if (scene.pattern.kind == BoardKind::staggered && (column + row) % 2 != 0) continue;
        const Eigen::Vector2d pixel =
            project(request.camera, pose * Eigen::Vector3d(column * square, row * square, 0.0));
        if (pixel.x() < 0 || pixel.y() < 0 || pixel.x() > scene.frame_px - 1 || pixel.y() > 3999) {
          continue;
        }
        sighting.corners.push_back(
            {column, row,
             pixel + scene.noise_px * Eigen::Vector2d(normal(random), normal(random))});
      }
    }
    request.sightings.push_back(sighting);
  }
  return set;
}

// As a detector sees it: numbered from (0, 0) of what is seen, from some corner of it.
inline void forget_numbering(const BoardPattern& pattern, std::mt19937& random,
                             calibrate_axis::AxisSighting& sighting) {
  if (pattern.kind == BoardKind::coded) return;
  const Placement turn{static_cast<int>(random() % 4U), 0, 0};
  std::vector<BoardCorner> seen = placed(sighting.corners, turn.inverse());
  Eigen::Vector2i low(1000, 1000);
  Eigen::Vector2i high(-1000, -1000);
  for (const BoardCorner& corner : seen) {
    low = low.cwiseMin(Eigen::Vector2i(corner.column, corner.row));
    high = high.cwiseMax(Eigen::Vector2i(corner.column, corner.row));
  }
  const Placement shift{0, -low.x(), -low.y()};
  sighting.corners = placed(seen, shift);
  const Placement back = (shift * turn.inverse()).inverse();
  const Eigen::Vector2i first =
      pattern.kind == BoardKind::staggered ? back(0, 0) : back(0, 0).cwiseMin(back(1, 1));
  sighting.part =
      BoardPart{high.x() - low.x() + 1, high.y() - low.y() + 1, (first.x() + first.y()) % 2 == 0};
}

}  // namespace trunnion::test

// The hull's field on a sparse grid: octree cells are settled by every view's distance at their
// middle where that exceeds what lies between, the rest is divided down to leaves of 8^3 voxels.
#pragma once

#include <Eigen/Core>
#include <array>
#include <vector>

#include "stages/hull/field.h"

namespace trunnion::hull {

inline constexpr int kLeaf = 8;

struct Grid {
  Eigen::Vector3d origin_mm = Eigen::Vector3d::Zero();  // of voxel (0, 0, 0)
  double voxel_mm = 0;
  int levels = 0;  // the root cell has kLeaf * 2^levels voxels a side
  [[nodiscard]] Eigen::Vector3d position(const Eigen::Vector3d& voxel) const {
    return origin_mm + voxel_mm * voxel;
  }
};

// Lowest voxel of a cell and its voxels a side.
struct Cell {
  Eigen::Vector3i at = Eigen::Vector3i::Zero();
  int size = 0;
};

struct Leaf {
  Eigen::Vector3i at = Eigen::Vector3i::Zero();
  std::array<float, kLeaf * kLeaf * kLeaf> mm{};  // z fastest; positive inside; clipped to the band
};

struct Carved {
  Grid grid;
  std::vector<Leaf> leaves;  // near the surface
  std::vector<Cell> inside;  // whole cells
  float band_mm = 0;
};

// Holds whatever projects into the silhouettes' boxes.
struct Ball {
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();
  double radius = 0;
};
Ball ball_of(const std::vector<Field>& fields);

Carved carve(const std::vector<Field>& fields, const Ball& ball, double voxel_mm);

}  // namespace trunnion::hull

// Refine: one observation of a point through the rig, as a residual and as a block of normal
// equations.
#pragma once

#include <ceres/ceres.h>

#include <vector>

#include "stages/refine_rig.h"
#include "stages/refine_tracks.h"

namespace trunnion::refining {

void add_observation(ceres::Problem& problem, const RigModel& model, RigValues& values,
                     std::size_t view, const Eigen::Vector2d& at_px, Eigen::Vector3d& position_mm,
                     double sigma_px, double loss_width);

// The part of the normal equations that one point makes.
struct PointBlocks {
  std::vector<int> parameters;  // of the rig, in the order of ParameterIndex
  Eigen::MatrixXd normal;       // among them
  Eigen::MatrixXd cross;        // with the point: parameters x 3
  Eigen::Matrix3d inverse;      // of the point's own block
};

PointBlocks point_blocks(const RigModel& model, const RigValues& values, const Track& track,
                         double sigma_px, const ParameterIndex& index);

}  // namespace trunnion::refining

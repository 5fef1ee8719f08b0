// Refine: the priors of the rig as residuals, shared by the start and the adjustment.
#pragma once

#include <ceres/ceres.h>

#include "stages/refine/rig.h"

namespace trunnion::refine {

// Which parameters an adjustment may move.
struct FreeParameters {
  bool angles = true;
  bool mount = false;
};

// Adds every parameter of the rig to the problem with its prior, and holds what is not free.
// Angle priors have a robust loss: a station shot at a wrong angle must show, not distort
// the others. The problem must not own its loss functions.
void add_rig(ceres::Problem& problem, const RigModel& model, RigValues& values,
             const FreeParameters& free);

// Mahalanobis distance of a ring's axis from its prior, and the limit that 99.7 % of steps in 5
// degrees of freedom keep (chi-square distribution).
double axis_distance(const RigModel& model, const RigValues& values, std::size_t ring);
inline constexpr double kFarAxis = 4.2;
bool any_axis_far(const RigModel& model, const RigValues& values);

}  // namespace trunnion::refine

#include "stages/refine/priors.h"

namespace trunnion::refine {
namespace {

// Mahalanobis distance of an axis step from zero.
struct AxisPrior {
  Eigen::Matrix<double, 5, 5> sqrt_information;
  template <typename T>
  bool operator()(const T* step, T* residual) const {
    Eigen::Map<Eigen::Matrix<T, 5, 1>> r(residual);
    r = sqrt_information.cast<T>() * Eigen::Map<const Eigen::Matrix<T, 5, 1>>(step);
    return true;
  }
};

// The same of the second axis.
struct LinePrior {
  Eigen::Matrix4d sqrt_information;
  template <typename T>
  bool operator()(const T* step, T* residual) const {
    Eigen::Map<Eigen::Matrix<T, 4, 1>> r(residual);
    r = sqrt_information.cast<T>() * Eigen::Map<const Eigen::Matrix<T, 4, 1>>(step);
    return true;
  }
};

ceres::CostFunction* scalar_prior(double sigma) {
  return new ceres::AutoDiffCostFunction<rig::ScalarPrior, 1, 1>(new rig::ScalarPrior{sigma});
}

void add_tilt(ceres::Problem& problem, const RigModel& model, RigValues& values) {
  if (!model.second.exists) return;
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    problem.AddParameterBlock(&values.tilt[r], 1);
    if (model.rings[r].sigma_tilt > 0) {
      problem.AddResidualBlock(scalar_prior(model.rings[r].sigma_tilt), nullptr, &values.tilt[r]);
    } else {
      problem.SetParameterBlockConstant(&values.tilt[r]);
    }
  }
  problem.AddParameterBlock(values.line.data(), 4);
  problem.AddResidualBlock(new ceres::AutoDiffCostFunction<LinePrior, 4, 4>(
                               new LinePrior{model.second.sqrt_information}),
                           nullptr, values.line.data());
}

// One loss for all, owned by nobody: it holds no state.
ceres::LossFunction* angle_loss() {
  static ceres::CauchyLoss loss(3.0);
  return &loss;
}

}  // namespace

void add_rig(ceres::Problem& problem, const RigModel& model, RigValues& values,
             const FreeParameters& free) {
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    problem.AddParameterBlock(values.axis[r].data(), 5);
    if (model.rings[r].axis == r) {
      problem.AddResidualBlock(new ceres::AutoDiffCostFunction<AxisPrior, 5, 5>(
                                   new AxisPrior{model.rings[r].sqrt_information}),
                               nullptr, values.axis[r].data());
    } else {
      problem.SetParameterBlockConstant(values.axis[r].data());  // another ring's counts
    }
    problem.AddParameterBlock(&values.azimuth_offset[r], 1);
    if (r == 0) {
      problem.SetParameterBlockConstant(&values.azimuth_offset[r]);
    } else {
      problem.AddResidualBlock(scalar_prior(model.rings[r].sigma_azimuth_offset), angle_loss(),
                               &values.azimuth_offset[r]);
    }
  }
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    problem.AddParameterBlock(&values.angle[v], 1);
    if (free.angles) {
      problem.AddResidualBlock(scalar_prior(model.stations[v].sigma_angle), angle_loss(),
                               &values.angle[v]);
    } else {
      problem.SetParameterBlockConstant(&values.angle[v]);
    }
  }
  problem.AddParameterBlock(&values.log_distance, 1);
  if (model.free_distance) {
    problem.AddResidualBlock(scalar_prior(model.sigma_log_distance), nullptr, &values.log_distance);
  } else {
    problem.SetParameterBlockConstant(&values.log_distance);
  }
  add_tilt(problem, model, values);
  problem.AddParameterBlock(values.mount.data(), 6);
  if (!free.mount) problem.SetParameterBlockConstant(values.mount.data());
}

double axis_distance(const RigModel& model, const RigValues& values, std::size_t ring) {
  const Eigen::Map<const Eigen::Matrix<double, 5, 1>> step(values.axis[ring].data());
  return (model.rings[ring].sqrt_information * step).norm();
}

bool any_axis_far(const RigModel& model, const RigValues& values) {
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    if (axis_distance(model, values, r) > kFarAxis) return true;
  }
  return false;
}

}  // namespace trunnion::refine

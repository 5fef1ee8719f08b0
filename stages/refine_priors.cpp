#include "stages/refine_priors.h"

namespace trunnion::refining {
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

// A single parameter against its sigma.
struct ScalarPrior {
  double sigma;
  template <typename T>
  bool operator()(const T* value, T* residual) const {
    residual[0] = value[0] / sigma;
    return true;
  }
};

ceres::CostFunction* scalar_prior(double sigma) {
  return new ceres::AutoDiffCostFunction<ScalarPrior, 1, 1>(new ScalarPrior{sigma});
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
    problem.AddResidualBlock(new ceres::AutoDiffCostFunction<AxisPrior, 5, 5>(
                                 new AxisPrior{model.rings[r].sqrt_information}),
                             nullptr, values.axis[r].data());
    problem.AddParameterBlock(&values.start[r], 1);
    if (r == 0) {
      problem.SetParameterBlockConstant(&values.start[r]);
    } else {
      problem.AddResidualBlock(scalar_prior(model.rings[r].sigma_start), nullptr, &values.start[r]);
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
  problem.AddParameterBlock(values.mount.data(), 6);
  if (!free.mount) problem.SetParameterBlockConstant(values.mount.data());
}

}  // namespace trunnion::refining

#include "stages/refine/adjust.h"

#include <Eigen/Cholesky>
#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>

#include "core/median.h"
#include "stages/refine/observation.h"

namespace trunnion::refine {
namespace {

std::vector<Projection34> projections_of(const RigModel& model, const RigValues& values) {
  const Camera camera = camera_of(model, values);
  std::vector<Projection34> P;
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    P.push_back(projection_matrix(camera, pose_of(model, values, v)));
  }
  return P;
}

std::vector<double*> blocks_of(RigValues& values) {
  std::vector<double*> blocks;
  for (AxisStep& step : values.axis) blocks.push_back(step.data());
  for (std::vector<double>* each : {&values.azimuth_offset, &values.angle, &values.tilt}) {
    for (double& value : *each) blocks.push_back(&value);
  }
  blocks.insert(blocks.end(), {&values.log_distance, values.line.data(), values.mount.data()});
  return blocks;
}

ceres::Solver::Summary solve_once(const RigModel& model, RigValues& values,
                                  std::vector<Track>& tracks, double sigma_px, bool last,
                                  const AdjustOptions& options) {
  RigFrames frames(model, values);
  ceres::Problem::Options ownership;
  ownership.evaluation_callback = &frames;
  ownership.loss_function_ownership = ceres::DO_NOT_TAKE_OWNERSHIP;
  // What is left in the last round fits; a loss that is quadratic in the middle converges fast.
  ceres::CauchyLoss cauchy(options.loss_width);
  ceres::HuberLoss huber(options.loss_width);
  ceres::LossFunction* loss = &cauchy;
  if (last) loss = &huber;
  ceres::Problem problem(ownership);
  add_rig(problem, model, values, options.free);
  auto* ordering = new ceres::ParameterBlockOrdering;
  for (Track& track : tracks) {
    for (const TrackView& seen : track.views) {
      add_observation(problem, model, values, frames, seen, track.position_mm, sigma_px, loss);
    }
    ordering->AddElementToGroup(track.position_mm.data(), 0);
  }
  // A group is ordered by addresses, which change from run to run (the points lie in one array):
  // each block of the rig has its own.
  int group = 0;
  for (double* block : blocks_of(values)) {
    if (problem.HasParameterBlock(block)) ordering->AddElementToGroup(block, ++group);
  }
  ceres::Solver::Options solver;
  solver.linear_solver_ordering.reset(ordering);
  solver.linear_solver_type = ceres::DENSE_SCHUR;
  solver.max_num_iterations = options.max_iterations;
  solver.num_threads = 1;  // sums must not depend on the number of threads
  solver.function_tolerance = last ? 1e-7 : 1e-4;
  solver.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(solver, &problem, &summary);
  return summary;
}

// Robust sigma of a coordinate: the median of Rayleigh-distributed distances is 1.1774 sigma;
// degrees of freedom that the points and the rig use up are given back.
double estimate_sigma(const RigModel& model, const RigValues& values,
                      const std::vector<Track>& tracks) {
  const std::vector<Projection34> P = projections_of(model, values);
  std::vector<double> distances;
  for (const Track& track : tracks) {
    for (const TrackView& seen : track.views) {
      distances.push_back(residual_px(P[seen.view], track.position_mm, seen.at_px));
    }
  }
  if (distances.empty()) return 0.0;
  const double equations = 2.0 * static_cast<double>(distances.size());
  const double unknowns = 3.0 * static_cast<double>(tracks.size()) + 5.0;
  const double freedom = std::max(0.1, 1.0 - unknowns / equations);
  return std::max(median_in_place(distances) / 1.1774 / std::sqrt(freedom), 1e-4);
}

void drop_outliers(const RigModel& model, const RigValues& values, std::vector<Track>& tracks,
                   double limit_px) {
  const std::vector<Projection34> P = projections_of(model, values);
  for (Track& track : tracks) {
    std::erase_if(track.views, [&](const TrackView& seen) {
      return !(residual_px(P[seen.view], track.position_mm, seen.at_px) <= limit_px);
    });
  }
  std::erase_if(tracks, [](const Track& track) { return track.views.size() < 2; });
}

}  // namespace

double residual_px(const Projection34& P, const Eigen::Vector3d& x, const Eigen::Vector2d& at) {
  return ((P * x.homogeneous()).hnormalized() - at).norm();
}

AdjustResult adjust(const RigModel& model, RigValues& values, std::vector<Track>& tracks,
                    const AdjustOptions& options) {
  AdjustResult result;
  result.sigma_px = options.sigma_px;
  for (int round = 0; round < options.rounds && !tracks.empty(); ++round) {
    const ceres::Solver::Summary summary =
        solve_once(model, values, tracks, std::hypot(result.sigma_px, options.common_px),
                   round + 1 == options.rounds, options);
    result.iterations += static_cast<int>(summary.iterations.size());
    result.converged = summary.termination_type == ceres::CONVERGENCE;
    if (round == 0) result.first_cost = summary.initial_cost;
    result.final_cost = summary.final_cost;
    if (round + 1 == options.rounds) break;
    result.sigma_px = estimate_sigma(model, values, tracks);
    drop_outliers(model, values, tracks, options.cut_sigmas * result.sigma_px);
  }
  const std::vector<Projection34> P = projections_of(model, values);
  double sum = 0;
  for (const Track& track : tracks) {
    for (const TrackView& seen : track.views) {
      const double r = residual_px(P[seen.view], track.position_mm, seen.at_px);
      sum += r * r;
      ++result.observations;
    }
  }
  if (result.observations > 0) result.rms_px = std::sqrt(sum / result.observations);
  result.sigma_px = estimate_sigma(model, values, tracks);
  return result;
}

AdjustCovariance adjust_covariance(const RigModel& model, const RigValues& values,
                                   const std::vector<Track>& tracks, double sigma_px,
                                   const FreeParameters& free) {
  const ParameterIndex index(model);
  const Eigen::MatrixXd prior = prior_covariance(model);
  std::vector<int> free_parameters;
  for (int k = 0; k < index.size(); ++k) {
    const bool is_angle = k >= index.angle(0) && k < index.log_distance();
    const bool is_mount = k >= index.mount();
    if (is_mount ? free.mount : prior(k, k) > 0 && (!is_angle || free.angles)) {
      free_parameters.push_back(k);
    }
  }
  // Normal equations: each point eliminated as it comes, then the priors.
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(index.size(), index.size());
  const RigFrames frames(model, values);
  for (const Track& track : tracks) {
    const PointBlocks block = point_blocks(model, values, frames, track, sigma_px, index);
    const Eigen::MatrixXd gain = block.cross * block.inverse;  // parameters x 3
    for (std::size_t i = 0; i < block.parameters.size(); ++i) {
      for (std::size_t j = 0; j < block.parameters.size(); ++j) {
        const auto r = static_cast<Eigen::Index>(i);
        const auto c = static_cast<Eigen::Index>(j);
        normal(block.parameters[i], block.parameters[j]) +=
            block.normal(r, c) - gain.row(r).dot(block.cross.row(c));
      }
    }
  }
  AdjustCovariance result;
  result.images = 0.5 * (normal + normal.transpose());
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    if (model.rings[r].axis != r) continue;
    const auto& W = model.rings[r].sqrt_information;
    normal.block<5, 5>(index.axis(r), index.axis(r)) += W.transpose() * W;
  }
  for (int k = index.azimuth_offset(0); k < index.line(); ++k) {
    if (prior(k, k) > 0) normal(k, k) += 1.0 / prior(k, k);
  }
  if (model.second.exists) {
    const Eigen::Matrix4d& W = model.second.sqrt_information;
    normal.block<4, 4>(index.line(), index.line()) += W.transpose() * W;
  }
  const auto count = static_cast<Eigen::Index>(free_parameters.size());
  Eigen::MatrixXd reduced(count, count);
  for (Eigen::Index r = 0; r < count; ++r) {
    for (Eigen::Index c = 0; c < count; ++c) {
      reduced(r, c) = normal(free_parameters[static_cast<std::size_t>(r)],
                             free_parameters[static_cast<std::size_t>(c)]);
    }
  }
  // Scaled to a unit diagonal: radians and millimetres differ by orders of magnitude.
  const Eigen::VectorXd scale = reduced.diagonal().cwiseMax(1e-300).cwiseSqrt().cwiseInverse();
  const Eigen::MatrixXd scaled = scale.asDiagonal() * reduced * scale.asDiagonal();
  const Eigen::MatrixXd inverse =
      scale.asDiagonal() * scaled.ldlt().solve(Eigen::MatrixXd::Identity(count, count)).eval() *
      scale.asDiagonal();
  result.rig = Eigen::MatrixXd::Zero(index.size(), index.size());
  for (Eigen::Index r = 0; r < count; ++r) {
    for (Eigen::Index c = 0; c < count; ++c) {
      result.rig(free_parameters[static_cast<std::size_t>(r)],
                 free_parameters[static_cast<std::size_t>(c)]) =
          0.5 * (inverse(r, c) + inverse(c, r));
    }
  }
  return result;
}

std::vector<Eigen::Matrix3d> point_covariances(const RigModel& model, const RigValues& values,
                                               const std::vector<Track>& tracks, double sigma_px,
                                               const Eigen::MatrixXd& rig) {
  const ParameterIndex index(model);
  const RigFrames frames(model, values);
  std::vector<Eigen::Matrix3d> covariances;
  covariances.reserve(tracks.size());
  for (const Track& track : tracks) {
    const PointBlocks block = point_blocks(model, values, frames, track, sigma_px, index);
    const Eigen::MatrixXd gain = block.cross * block.inverse;
    covariances.emplace_back(block.inverse +
                             gain.transpose() * rig(block.parameters, block.parameters) * gain);
  }
  return covariances;
}

PoseCovariance pose_covariance(const RigModel& model, const RigValues& values,
                               const Eigen::MatrixXd& rig, std::size_t view) {
  const ParameterIndex index(model);
  const StationModel& station = model.stations[view];
  std::vector<int> used;
  for (int k = 0; k < 5; ++k) used.push_back(index.axis(station.axis) + k);
  used.push_back(index.azimuth_offset(station.ring));
  used.push_back(index.angle(view));
  if (model.second.exists) {
    used.push_back(index.tilt(station.ring));
    for (int k = 0; k < 4; ++k) used.push_back(index.line() + k);
  }
  if (station.bumped) {
    for (int k = 0; k < 6; ++k) used.push_back(index.mount() + k);
  }
  const auto count = static_cast<Eigen::Index>(used.size());
  Eigen::MatrixXd jacobian(6, count);
  Eigen::MatrixXd block(count, count);
  for (Eigen::Index c = 0; c < count; ++c) {
    constexpr double kStep = 1e-6;
    Eigen::VectorXd step = Eigen::VectorXd::Zero(index.size());
    step[used[static_cast<std::size_t>(c)]] = kStep;
    const Pose plus = pose_of(model, moved(model, values, step), view);
    const Pose minus = pose_of(model, moved(model, values, -step), view);
    const Eigen::AngleAxisd turn(Eigen::Matrix3d(plus.R * minus.R.transpose()));
    jacobian.col(c).head<3>() = turn.angle() * turn.axis() / (2.0 * kStep);
    jacobian.col(c).tail<3>() = (plus.centre_mm() - minus.centre_mm()) / (2.0 * kStep);
    for (Eigen::Index r = 0; r < count; ++r) {
      block(r, c) = rig(used[static_cast<std::size_t>(r)], used[static_cast<std::size_t>(c)]);
    }
  }
  const PoseCovariance covariance = jacobian * block * jacobian.transpose();
  return 0.5 * (covariance + covariance.transpose());
}

}  // namespace trunnion::refine

#include "stages/refine_observation.h"

#include <Eigen/LU>
#include <algorithm>
#include <map>

namespace trunnion::refining {
namespace {

// Where the rig puts a point in a view, against where it was seen.
struct Reprojection {
  const RigModel& model;
  const StationModel& station;
  Eigen::Vector2d at_px;
  double sigma_px;

  template <typename T>
  bool evaluate(const T* axis, const T* start, const T* angle, const T* log_distance,
                const T* mount, const T* point, T* residual) const {
    rig::Matrix3<T> R;
    rig::Vector3<T> t;
    rig_pose<T>(model.rings[station.ring], model.telecentric(), axis,
                T(station.stage_angle) + start[0] + angle[0], mount, R, t);
    const rig::Vector3<T> x = R * Eigen::Map<const rig::Vector3<T>>(point) + t;
    const T scale = exp(log_distance[0]) / (model.telecentric() ? T(1) : x.z());
    residual[0] = (model.camera.fx * scale * x.x() + model.camera.cx - at_px.x()) / sigma_px;
    residual[1] = (model.camera.fy * scale * x.y() + model.camera.cy - at_px.y()) / sigma_px;
    return true;
  }
  template <typename T>
  bool operator()(const T* axis, const T* start, const T* angle, const T* log_distance,
                  const T* point, T* residual) const {
    return evaluate<T>(axis, start, angle, log_distance, nullptr, point, residual);
  }
  template <typename T>
  bool operator()(const T* axis, const T* start, const T* angle, const T* log_distance,
                  const T* mount, const T* point, T* residual) const {
    return evaluate(axis, start, angle, log_distance, mount, point, residual);
  }
};

using PlainCost = ceres::AutoDiffCostFunction<Reprojection, 2, 5, 1, 1, 1, 3>;
using MountedCost = ceres::AutoDiffCostFunction<Reprojection, 2, 5, 1, 1, 1, 6, 3>;

std::unique_ptr<ceres::CostFunction> cost_of(const RigModel& model, std::size_t view,
                                             const Eigen::Vector2d& at_px, double sigma_px) {
  auto* reprojection = new Reprojection{model, model.stations[view], at_px, sigma_px};
  if (model.stations[view].bumped) return std::make_unique<MountedCost>(reprojection);
  return std::make_unique<PlainCost>(reprojection);
}

// Pointers to the parameters of one observation, and where each stands.
struct Blocks {
  std::vector<const double*> values;
  std::vector<std::pair<int, int>> at;  // first index, size; the point has index -1
};

Blocks blocks_of(const RigModel& model, const RigValues& values, std::size_t view,
                 const Eigen::Vector3d& point, const ParameterIndex& index) {
  const std::size_t ring = model.stations[view].ring;
  Blocks blocks;
  blocks.values = {values.axis[ring].data(), &values.start[ring], &values.angle[view],
                   &values.log_distance};
  blocks.at = {{index.axis(ring), 5},
               {index.start(ring), 1},
               {index.angle(view), 1},
               {index.log_distance(), 1}};
  if (model.stations[view].bumped) {
    blocks.values.push_back(values.mount.data());
    blocks.at.emplace_back(index.mount(), 6);
  }
  blocks.values.push_back(point.data());
  blocks.at.emplace_back(-1, 3);
  return blocks;
}

}  // namespace

void add_observation(ceres::Problem& problem, const RigModel& model, RigValues& values,
                     std::size_t view, const Eigen::Vector2d& at_px, Eigen::Vector3d& position_mm,
                     double sigma_px, double loss_width) {
  const std::size_t ring = model.stations[view].ring;
  std::vector<double*> blocks{values.axis[ring].data(), &values.start[ring], &values.angle[view],
                              &values.log_distance};
  if (model.stations[view].bumped) blocks.push_back(values.mount.data());
  blocks.push_back(position_mm.data());
  problem.AddResidualBlock(cost_of(model, view, at_px, sigma_px).release(),
                           new ceres::CauchyLoss(loss_width), blocks);
}

PointBlocks point_blocks(const RigModel& model, const RigValues& values, const Track& track,
                         double sigma_px, const ParameterIndex& index) {
  PointBlocks result;
  std::map<int, int> column;  // parameter -> place in result.parameters
  std::vector<Eigen::MatrixXd> jacobians(track.views.size());
  std::vector<Eigen::Matrix<double, 2, 3>> point_jacobians;
  std::vector<std::vector<int>> columns(track.views.size());
  for (std::size_t i = 0; i < track.views.size(); ++i) {
    const TrackView& seen = track.views[i];
    const auto cost = cost_of(model, seen.view, seen.at_px, sigma_px);
    const Blocks blocks = blocks_of(model, values, seen.view, track.position_mm, index);
    std::vector<Eigen::Matrix<double, 2, Eigen::Dynamic, Eigen::RowMajor>> parts;
    std::vector<double*> pointers;
    for (const auto& [first, size] : blocks.at) parts.emplace_back(2, size);
    for (auto& part : parts) pointers.push_back(part.data());
    Eigen::Vector2d residual;
    cost->Evaluate(blocks.values.data(), residual.data(), pointers.data());
    point_jacobians.emplace_back(parts.back());
    Eigen::Index width = 0;
    for (std::size_t b = 0; b + 1 < parts.size(); ++b) width += parts[b].cols();
    jacobians[i].resize(2, width);
    Eigen::Index at = 0;
    for (std::size_t b = 0; b + 1 < parts.size(); ++b) {
      jacobians[i].middleCols(at, parts[b].cols()) = parts[b];
      at += parts[b].cols();
      for (int k = 0; k < blocks.at[b].second; ++k) {
        const int parameter = blocks.at[b].first + k;
        const auto [entry, added] =
            column.emplace(parameter, static_cast<int>(result.parameters.size()));
        if (added) result.parameters.push_back(parameter);
        columns[i].push_back(entry->second);
      }
    }
  }
  const auto size = static_cast<Eigen::Index>(result.parameters.size());
  result.normal = Eigen::MatrixXd::Zero(size, size);
  result.cross = Eigen::MatrixXd::Zero(size, 3);
  Eigen::Matrix3d own = Eigen::Matrix3d::Zero();
  for (std::size_t i = 0; i < track.views.size(); ++i) {
    const Eigen::MatrixXd& J = jacobians[i];
    own += point_jacobians[i].transpose() * point_jacobians[i];
    for (std::size_t r = 0; r < columns[i].size(); ++r) {
      const auto jr = J.col(static_cast<Eigen::Index>(r));
      result.cross.row(columns[i][r]) += jr.transpose() * point_jacobians[i];
      for (std::size_t c = 0; c < columns[i].size(); ++c) {
        result.normal(columns[i][r], columns[i][c]) += jr.dot(J.col(static_cast<Eigen::Index>(c)));
      }
    }
  }
  result.inverse = own.inverse();
  return result;
}

}  // namespace trunnion::refining

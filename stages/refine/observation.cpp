#include "stages/refine/observation.h"

#include <ceres/jet.h>

#include <Eigen/LU>
#include <cmath>
#include <map>

namespace trunnion::refine {
namespace {

constexpr int kSteps = 17;  // of a view
using Frame = ceres::Jet<double, kSteps>;

ViewFrame differentiated(const RigModel& model, const RigValues& values, std::size_t view) {
  const StationModel& station = model.stations[view];
  std::array<Frame, 5> axis;
  for (int k = 0; k < 5; ++k) {
    const auto i = static_cast<std::size_t>(k);
    axis[i] = Frame(values.axis[station.axis][i], k);
  }
  const Frame angle(station.stage_angle + values.azimuth_offset[station.ring] + values.angle[view],
                    5);
  std::array<Frame, 6> mount;
  for (int k = 0; k < 6; ++k) {
    const auto i = static_cast<std::size_t>(k);
    mount[i] = Frame(values.mount[i], 6 + k);
  }
  rig::Matrix3<Frame> R;
  rig::Vector3<Frame> t;
  std::array<Frame, 4> line;
  for (int k = 0; k < 4; ++k) {
    const auto i = static_cast<std::size_t>(k);
    line[i] = Frame(values.line[i], 13 + k);
  }
  const StationSteps<Frame> steps{axis.data(), angle, Frame(values.tilt[station.ring], 12),
                                  line.data(), station.bumped ? mount.data() : nullptr};
  rig_pose<Frame>(model, station, steps, R, t);
  ViewFrame frame;
  for (int r = 0; r < 3; ++r) {
    frame.t[r] = t[r].a;
    for (int c = 0; c < 3; ++c) frame.R(r, c) = R(r, c).a;
    for (int k = 0; k < kSteps; ++k) {
      const auto i = static_cast<std::size_t>(k);
      frame.dt[i][r] = t[r].v[k];
      for (int c = 0; c < 3; ++c) frame.dR[i](r, c) = R(r, c).v[k];
    }
  }
  return frame;
}

// By every parameter of the rig that one observation has.
using RigJacobian = Eigen::Matrix<double, 2, Eigen::Dynamic, Eigen::ColMajor, 2, 19>;

// Residual and derivatives of one observation: by the steps of its view (see ViewFrame), by the log
// of the principal distance, and by the point.
struct Linearised {
  Eigen::Vector2d residual;
  Eigen::Matrix<double, 2, kSteps> by_frame;
  Eigen::Vector2d by_log_distance;
  Eigen::Matrix<double, 2, 3> by_point;
};

Linearised linearise(const RigModel& model, const StationModel& station, const ViewFrame& frame,
                     double log_distance, const Eigen::Vector3d& point,
                     const Eigen::Vector2d& at_px, double sigma_px, bool derivatives) {
  const Eigen::Vector3d x = frame.R * point + frame.t;
  const Camera& camera = model.camera;
  const Eigen::Vector2d f =
      Eigen::Vector2d(camera.fx, camera.fy) * (std::exp(log_distance) / sigma_px);
  const double z = model.telecentric() ? 1.0 : x.z();
  const Eigen::Vector2d n = x.head<2>() / z;
  const Eigen::Vector2d c(camera.cx, camera.cy);
  Linearised result;
  result.residual = f.cwiseProduct(n) + (c - at_px) / sigma_px;
  if (!derivatives) return result;
  Eigen::Matrix<double, 2, 3> by_x;
  by_x << f.x() / z, 0, 0, 0, f.y() / z, 0;
  if (!model.telecentric()) by_x.col(2) = -f.cwiseProduct(n) / z;
  const auto differentiate = [&](std::size_t first, std::size_t last) {
    for (std::size_t k = first; k < last; ++k) {
      result.by_frame.col(static_cast<Eigen::Index>(k)) =
          by_x * (frame.dR[k] * point + frame.dt[k]);
    }
  };
  differentiate(0, station.bumped ? 12 : 6);
  if (model.second.exists) differentiate(12, kSteps);
  result.by_log_distance = f.cwiseProduct(n);
  result.by_point = by_x * frame.R;
  return result;
}

// Blocks: axis 5, azimuth offset 1, angle 1, log distance 1, [tilt 1, line 4], [mount 6], point 3.
class ReprojectionCost : public ceres::CostFunction {
 public:
  ReprojectionCost(const RigModel& model, const RigFrames& frames, const TrackView& seen,
                   double sigma_px)
      : model_(model), frames_(frames), seen_(seen), sigma_px_(sigma_px) {
    set_num_residuals(2);
    *mutable_parameter_block_sizes() = {5, 1, 1, 1};
    if (model_.second.exists) {
      mutable_parameter_block_sizes()->push_back(1);
      mutable_parameter_block_sizes()->push_back(4);
    }
    if (bumped()) mutable_parameter_block_sizes()->push_back(6);
    mutable_parameter_block_sizes()->push_back(3);
  }

  bool Evaluate(double const* const* parameters, double* residuals,
                double** jacobians) const override {
    const std::size_t mount = model_.second.exists ? 6 : 4;
    const std::size_t last = mount + (bumped() ? 1 : 0);
    const Eigen::Map<const Eigen::Vector3d> point(parameters[last]);
    const Linearised at =
        linearise(model_, model_.stations[seen_.view], frames_[seen_.view], parameters[3][0], point,
                  seen_.at_px, sigma_px_, jacobians != nullptr);
    Eigen::Map<Eigen::Vector2d>(residuals, 2) = at.residual;
    if (!at.residual.allFinite()) return false;
    if (jacobians == nullptr) return true;
    put(jacobians[0], at.by_frame.leftCols<5>());
    put(jacobians[1], at.by_frame.col(5));
    put(jacobians[2], at.by_frame.col(5));
    put(jacobians[3], at.by_log_distance);
    if (model_.second.exists) {
      put(jacobians[4], at.by_frame.col(12));
      put(jacobians[5], at.by_frame.middleCols<4>(13));
    }
    if (bumped()) put(jacobians[mount], at.by_frame.middleCols<6>(6));
    put(jacobians[last], at.by_point);
    return true;
  }

 private:
  [[nodiscard]] bool bumped() const { return model_.stations[seen_.view].bumped; }

  template <typename Derived>
  static void put(double* out, const Eigen::MatrixBase<Derived>& values) {
    if (out == nullptr) return;
    for (Eigen::Index r = 0; r < values.rows(); ++r) {
      for (Eigen::Index c = 0; c < values.cols(); ++c) *out++ = values(r, c);
    }
  }

  const RigModel& model_;
  const RigFrames& frames_;
  TrackView seen_;
  double sigma_px_;
};

}  // namespace

RigFrames::RigFrames(const RigModel& model, const RigValues& values)
    : model_(model), values_(values), frames_(model.stations.size()) {
  PrepareForEvaluation(true, true);
}

void RigFrames::PrepareForEvaluation(bool /*evaluate_jacobians*/, bool new_evaluation_point) {
  if (!new_evaluation_point) return;
  for (std::size_t v = 0; v < frames_.size(); ++v) {
    frames_.at(v) = differentiated(model_, values_, v);
  }
}

void add_observation(ceres::Problem& problem, const RigModel& model, RigValues& values,
                     const RigFrames& frames, const TrackView& seen, Eigen::Vector3d& position_mm,
                     double sigma_px, ceres::LossFunction* loss) {
  const StationModel& station = model.stations[seen.view];
  std::vector<double*> blocks{values.axis[station.axis].data(),
                              &values.azimuth_offset[station.ring], &values.angle[seen.view],
                              &values.log_distance};
  if (model.second.exists) {
    blocks.push_back(&values.tilt[station.ring]);
    blocks.push_back(values.line.data());
  }
  if (station.bumped) blocks.push_back(values.mount.data());
  blocks.push_back(position_mm.data());
  problem.AddResidualBlock(new ReprojectionCost(model, frames, seen, sigma_px), loss, blocks);
}

PointBlocks point_blocks(const RigModel& model, const RigValues& values, const RigFrames& frames,
                         const Track& track, double sigma_px, const ParameterIndex& index) {
  PointBlocks result;
  std::map<int, int> column;  // parameter -> place in result.parameters
  std::vector<std::vector<int>> columns;
  std::vector<RigJacobian> jacobians;
  Eigen::Matrix3d own = Eigen::Matrix3d::Zero();
  std::vector<Eigen::Matrix<double, 2, 3>> by_point;
  for (const TrackView& seen : track.views) {
    const StationModel& station = model.stations[seen.view];
    const Linearised at = linearise(model, station, frames[seen.view], values.log_distance,
                                    track.position_mm, seen.at_px, sigma_px, true);
    std::vector<int> parameters;
    for (int k = 0; k < 5; ++k) parameters.push_back(index.axis(station.axis) + k);
    parameters.push_back(index.angle(seen.view));
    parameters.push_back(index.azimuth_offset(station.ring));
    parameters.push_back(index.log_distance());
    if (model.second.exists) {
      parameters.push_back(index.tilt(station.ring));
      for (int k = 0; k < 4; ++k) parameters.push_back(index.line() + k);
    }
    if (station.bumped) {
      for (int k = 0; k < 6; ++k) parameters.push_back(index.mount() + k);
    }
    RigJacobian J(2, static_cast<Eigen::Index>(parameters.size()));
    J.leftCols<6>() = at.by_frame.leftCols<6>();
    J.col(6) = at.by_frame.col(5);
    J.col(7) = at.by_log_distance;
    if (model.second.exists) J.middleCols<5>(8) = at.by_frame.middleCols<5>(12);
    if (station.bumped) J.rightCols<6>() = at.by_frame.middleCols<6>(6);
    jacobians.push_back(J);
    by_point.push_back(at.by_point);
    own += at.by_point.transpose() * at.by_point;
    std::vector<int>& places = columns.emplace_back();
    for (const int parameter : parameters) {
      const auto [entry, added] =
          column.emplace(parameter, static_cast<int>(result.parameters.size()));
      if (added) result.parameters.push_back(parameter);
      places.push_back(entry->second);
    }
  }
  const auto size = static_cast<Eigen::Index>(result.parameters.size());
  result.normal = Eigen::MatrixXd::Zero(size, size);
  result.cross = Eigen::MatrixXd::Zero(size, 3);
  for (std::size_t i = 0; i < jacobians.size(); ++i) {
    for (std::size_t r = 0; r < columns[i].size(); ++r) {
      const auto jr = jacobians[i].col(static_cast<Eigen::Index>(r));
      result.cross.row(columns[i][r]) += jr.transpose() * by_point[i];
      for (std::size_t c = 0; c < columns[i].size(); ++c) {
        result.normal(columns[i][r], columns[i][c]) +=
            jr.dot(jacobians[i].col(static_cast<Eigen::Index>(c)));
      }
    }
  }
  result.inverse = own.inverse();
  return result;
}

}  // namespace trunnion::refine

#include "stages/calibrate_axis/fit.h"

#include <ceres/ceres.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <map>

#include "core/median.h"
#include "stages/calibrate_axis/costs.h"

namespace trunnion::calibrate_axis {
namespace {

using CornerFunction = ceres::AutoDiffCostFunction<CornerCost, 2, 5, 1, 1, 1, 4, 6, 9>;

// The problem with its parameters; blocks stay where they are.
class Problem {
 public:
  Problem(const AxisRequest& request, const FitStart& start, const FitOptions& options)
      : request_(request),
        start_(start),
        options_(options),
        telecentric_(request.camera.projection == Projection::telecentric),
        axis_(start.axes.size()),
        azimuth_(start.axes.size(), 0.0),
        angle_(request.sightings.size(), 0.0),
        tilt_(start.tilted ? start.tilts : std::vector<double>(start.axes.size(), 0.0)),
        given_tilt_(tilt_),
        line_(start.line),
        board_(start.boards),
        camera_(vector_of(request.camera)) {
    for (const Axis& axis : start.axes) {
      rings_.push_back({axis, camera_from_stage(axis, telecentric_).R});
    }
  }

  Fit solve() {
    double sigma = options_.sigma_px;
    Fit fit;
    // The second round weighs the corners by what the first one found.
    for (int round = 0; round < 2; ++round) {
      ceres::Problem problem;
      build(problem, sigma);
      ceres::Solver::Options solver;
      solver.linear_solver_type = ceres::DENSE_QR;
      solver.max_num_iterations = 100;
      solver.function_tolerance = 1e-10;
      solver.num_threads = 1;
      solver.logging_type = ceres::SILENT;
      ceres::Solver::Summary summary;
      ceres::Solve(solver, &problem, &summary);
      fit.converged = summary.termination_type == ceres::CONVERGENCE;
      read(fit, problem);
      sigma = std::max(fit.sigma_px, 1e-4);
      if (round == 1 && options_.covariance) covariance(fit, problem);
    }
    return fit;
  }

 private:
  void build(ceres::Problem& problem, double sigma_px) {
    for (std::size_t i = 0; i < request_.sightings.size(); ++i) {
      const AxisSighting& sighting = request_.sightings[i];
      for (const BoardCorner& corner : sighting.corners) {
        problem.AddResidualBlock(
            new CornerFunction(new CornerCost(cost_of(i, corner, sigma_px))),
            new ceres::HuberLoss(3.0), axis_[axis_index(sighting.ring)].data(),
            &azimuth_[sighting.ring], &angle_[i], &tilt_[sighting.ring], line_.data(),
            board_[static_cast<std::size_t>(start_.board[i])].data(), camera_.data());
      }
      if (options_.sigma_angle > 0) {
        problem.AddResidualBlock(new ceres::AutoDiffCostFunction<rig::ScalarPrior, 1, 1>(
                                     new rig::ScalarPrior{options_.sigma_angle}),
                                 nullptr, &angle_[i]);
      } else if (first_of_ring(i)) {
        problem.SetParameterBlockConstant(&angle_[i]);
      }
    }
    add_tilt(problem);
    for (std::size_t r = 0; r < rings_.size(); ++r) {
      if (r == 0) {
        problem.SetParameterBlockConstant(azimuth_.data());
        add_gauge(problem, 0);
      } else if (start_.tilted) {
        problem.SetParameterBlockConstant(&azimuth_[r]);  // the camera stays where it is
        continue;
      } else {
        problem.AddResidualBlock(new ceres::AutoDiffCostFunction<rig::ScalarPrior, 1, 1>(
                                     new rig::ScalarPrior{options_.sigma_azimuth}),
                                 nullptr, &azimuth_[r]);
        if (!request_.tilts.empty()) add_gauge(problem, r);  // its board is its own
      }
      if (telecentric_) hold_depth(problem, r);
    }
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<CameraPrior, 9, 9>(new CameraPrior{
            vector_of(options_.joint ? request_.joint->camera : request_.camera),
            sqrt_information_of(
                padded(options_.joint ? request_.joint->covariance : request_.camera_covariance))}),
        nullptr, camera_.data());
    if (options_.hold_camera) problem.SetParameterBlockConstant(camera_.data());
  }

  [[nodiscard]] bool first_of_ring(std::size_t i) const {
    for (std::size_t k = 0; k < i; ++k) {
      if (request_.sightings[k].ring == request_.sightings[i].ring) return false;
    }
    return true;
  }
  void add_gauge(ceres::Problem& problem, std::size_t r) {
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<GaugePrior, 1, 5>(new GaugePrior{rings_[r].axis.direction}),
        nullptr, axis_[r].data());
  }
  void hold_depth(ceres::Problem& problem, std::size_t r) {
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<GaugePrior, 1, 5>(new GaugePrior{Eigen::Vector3d::UnitZ()}),
        nullptr, axis_[r].data());
  }

  [[nodiscard]] std::size_t axis_index(std::size_t ring) const { return start_.tilted ? 0 : ring; }

  [[nodiscard]] CornerCost cost_of(std::size_t i, const BoardCorner& corner,
                                   double sigma_px) const {
    return {rings_[axis_index(request_.sightings[i].ring)],
            telecentric_,
            start_.angles[i],
            Eigen::Vector2d(corner.column, corner.row) * request_.pattern.square_mm,
            corner.position_px,
            sigma_px,
            start_.tilted,
            request_.tilt_kind == TiltKind::stage};
  }

  // Priors of the tilts at the given values, except for the ring that defines the world frame.
  void add_tilt(ceres::Problem& problem) {
    for (std::size_t r = 0; r < tilt_.size(); ++r) {
      if (!start_.tilted || r == start_.tilt_reference) {
        problem.SetParameterBlockConstant(&tilt_[r]);
        continue;
      }
      problem.AddResidualBlock(new ceres::AutoDiffCostFunction<TiltPrior, 1, 1>(
                                   new TiltPrior{given_tilt_[r], options_.sigma_tilt}),
                               nullptr, &tilt_[r]);
    }
    if (!start_.tilted) problem.SetParameterBlockConstant(line_.data());
  }

  void read(Fit& fit, ceres::Problem& /*problem*/) const {
    fit.axes.clear();
    for (std::size_t ring = 0; ring < rings_.size(); ++ring) {
      const std::size_t r = axis_index(ring);
      const Eigen::Vector3d rotation =
          rings_[r].stage_R.col(0) * axis_[r][0] + rings_[r].stage_R.col(1) * axis_[r][1];
      Axis axis = rings_[r].axis;
      axis.direction = rig::rotation_from_vector<double>(rotation) * axis.direction;
      axis.direction.normalize();
      axis.origin_mm += Eigen::Vector3d(axis_[r][2], axis_[r][3], axis_[r][4]);
      fit.axes.push_back(axis);
    }
    fit.tilts.clear();
    for (std::size_t r = 0; start_.tilted && r < rings_.size(); ++r) {
      const TiltAxis axis{request_.tilt_kind, line_[0], line_[1], line_[2], line_[3]};
      fit.tilts.push_back({axis, tilt_[r], TiltCovariance::Zero()});
    }
    fit.azimuths = azimuth_;
    fit.angle_steps = angle_;
    fit.boards = board_;
    fit.camera = request_.camera;
    fit.camera.fx = camera_[0];
    fit.camera.fy = camera_[1];
    fit.camera.cx = camera_[2];
    fit.camera.cy = camera_[3];
    for (std::size_t k = 0; k < 5; ++k) fit.camera.distortion[k] = camera_[4 + k];
    residuals(fit);
  }

  void residuals(Fit& fit) const {
    fit.residuals_px.assign(request_.sightings.size(), {});
    double sum = 0;
    std::vector<double> coordinates;
    for (std::size_t i = 0; i < request_.sightings.size(); ++i) {
      const AxisSighting& sighting = request_.sightings[i];
      for (const BoardCorner& corner : sighting.corners) {
        const CornerCost cost = cost_of(i, corner, 1.0);
        Eigen::Vector2d r;
        cost(axis_[axis_index(sighting.ring)].data(), &azimuth_[sighting.ring], &angle_[i],
             &tilt_[sighting.ring], line_.data(),
             board_[static_cast<std::size_t>(start_.board[i])].data(), camera_.data(), r.data());
        fit.residuals_px[i].push_back(r);
        sum += r.squaredNorm();
        coordinates.push_back(std::abs(r.x()));
        coordinates.push_back(std::abs(r.y()));
      }
    }
    const auto equations = static_cast<double>(coordinates.size());
    const double unknowns =
        6.0 * static_cast<double>(board_.size()) + 5.0 * static_cast<double>(rings_.size());
    fit.rms_px = std::sqrt(sum / (equations / 2.0));
    // Where the residuals are Gaussian, the plain estimate; outliers make the robust one smaller.
    const double robust = median_in_place(coordinates) / 0.6745;
    const double plain = std::sqrt(sum / std::max(1.0, equations - unknowns));
    fit.sigma_px = plain < 1.3 * robust ? plain : robust;
  }

  // Normal equations of all but the camera, N, and their columns for it, C: the unknowns have the
  // covariance N^-1 with the camera given, and follow it by -N^-1 C. Joint: those of all unknowns.
  // (By hand, since the library's covariance drops directions as weak as a principal point beside
  // an angle.)
  void covariance(Fit& fit, ceres::Problem& problem) {
    ceres::Problem::EvaluateOptions options;
    std::map<const double*, Eigen::Index> place;
    Eigen::Index size = 0;
    const auto take = [&](double* block) {
      if (problem.IsParameterBlockConstant(block)) return;
      options.parameter_blocks.push_back(block);
      place[block] = size;
      size += problem.ParameterBlockSize(block);
    };
    const std::size_t axes = start_.tilted ? 1 : axis_.size();
    for (std::size_t r = 0; r < axes; ++r) take(axis_[r].data());
    if (start_.tilted) take(line_.data());
    for (std::size_t r = 0; start_.tilted && r < tilt_.size(); ++r) take(&tilt_[r]);
    for (double& azimuth : azimuth_) take(&azimuth);
    for (double& angle : angle_) take(&angle);
    for (auto& board : board_) take(board.data());
    const Eigen::Index others = size;
    const bool held = problem.IsParameterBlockConstant(camera_.data());
    if (held) problem.SetParameterBlockVariable(camera_.data());
    take(camera_.data());
    const Eigen::MatrixXd J = jacobian(problem, options);
    const Eigen::MatrixXd given = inverse_normal(J.leftCols(others));
    Eigen::MatrixXd all;
    if (options_.joint) {
      all = inverse_normal(J);
      fit.camera_covariance = all.bottomRightCorner<9, 9>();
    } else {
      const Eigen::MatrixXd follows =
          -given * (J.leftCols(others).transpose() * J.rightCols(J.cols() - others));
      all = given + follows * padded(request_.camera_covariance) * follows.transpose();
    }
    fit.covariances.clear();
    fit.with_camera.clear();
    for (std::size_t r = 0; r < axis_.size(); ++r) {
      const Eigen::Index at = place[axis_[axis_index(r)].data()];
      fit.covariances.emplace_back(all.block<5, 5>(at, at));
      if (options_.joint) fit.with_camera.emplace_back(all.block<5, 9>(at, others));
    }
    for (std::size_t r = 0; r < fit.tilts.size(); ++r) {
      std::vector<Eigen::Index> rows;
      for (Eigen::Index k = 0; k < 4; ++k) rows.push_back(place[line_.data()] + k);
      const auto found = place.find(&tilt_[r]);
      if (found != place.end()) rows.push_back(found->second);
      const auto count = static_cast<Eigen::Index>(rows.size());
      fit.tilts[r].covariance.topLeftCorner(count, count) = all(rows, rows);
    }
    fit.angle_sigmas.assign(angle_.size(), 0.0);
    const Eigen::MatrixXd& of_angles = options_.joint ? all : given;
    for (std::size_t i = 0; i < angle_.size(); ++i) {
      const auto found = place.find(&angle_[i]);
      if (found == place.end()) continue;
      fit.angle_sigmas[i] = std::sqrt(of_angles(found->second, found->second));
    }
    if (held) problem.SetParameterBlockConstant(camera_.data());
  }

  static Eigen::MatrixXd inverse_normal(const Eigen::MatrixXd& J) {
    const Eigen::VectorXd scale = J.colwise().norm().cwiseMax(1e-12).cwiseInverse().transpose();
    const Eigen::MatrixXd scaled = J * scale.asDiagonal();
    const Eigen::LDLT<Eigen::MatrixXd> normal(scaled.transpose() * scaled);
    return scale.asDiagonal() * normal.solve(Eigen::MatrixXd::Identity(J.cols(), J.cols())) *
           scale.asDiagonal();
  }

  static Eigen::MatrixXd jacobian(ceres::Problem& problem,
                                  const ceres::Problem::EvaluateOptions& options) {
    ceres::CRSMatrix sparse;
    problem.Evaluate(options, nullptr, nullptr, nullptr, &sparse);
    Eigen::MatrixXd dense = Eigen::MatrixXd::Zero(sparse.num_rows, sparse.num_cols);
    for (int row = 0; row < sparse.num_rows; ++row) {
      for (int k = sparse.rows[static_cast<std::size_t>(row)];
           k < sparse.rows[static_cast<std::size_t>(row) + 1]; ++k) {
        dense(row, sparse.cols[static_cast<std::size_t>(k)]) =
            sparse.values[static_cast<std::size_t>(k)];
      }
    }
    return dense;
  }

  const AxisRequest& request_;
  const FitStart& start_;
  FitOptions options_;
  bool telecentric_;
  std::vector<RingStart> rings_;
  std::vector<std::array<double, 5>> axis_;
  std::vector<double> azimuth_;
  std::vector<double> angle_;
  std::vector<double> tilt_;
  std::vector<double> given_tilt_;
  std::array<double, 4> line_;
  std::vector<BoardStep> board_;
  CameraVector camera_;
};

}  // namespace

Fit fit_rig(const AxisRequest& request, const FitStart& start, const FitOptions& options) {
  return Problem(request, start, options).solve();
}

Pose pose_of(const BoardStep& step) {
  Pose pose;
  pose.R = rig::rotation_from_vector<double>({step[0], step[1], step[2]});
  pose.t = {step[3], step[4], step[5]};
  return pose;
}

BoardStep step_of(const Pose& pose) {
  const Eigen::AngleAxisd turn(pose.R);
  const Eigen::Vector3d r = turn.angle() * turn.axis();
  return {r.x(), r.y(), r.z(), pose.t.x(), pose.t.y(), pose.t.z()};
}

}  // namespace trunnion::calibrate_axis

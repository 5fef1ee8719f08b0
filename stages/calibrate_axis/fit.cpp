#include "stages/calibrate_axis/fit.h"

#include <ceres/ceres.h>

#include <Eigen/Eigenvalues>
#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>

namespace trunnion::axis_calibration {
namespace {

using CameraVector = std::array<double, 9>;

struct RingStart {
  Axis axis;
  Eigen::Matrix3d stage_R;
};

// Where the rig puts a corner, against where it was seen.
struct CornerCost {
  RingStart ring;
  bool telecentric;
  double angle;
  Eigen::Vector2d board_mm;
  Eigen::Vector2d seen_px;
  double sigma_px;

  template <typename T>
  bool operator()(const T* axis, const T* azimuth, const T* angle_step, const T* board,
                  const T* camera, T* residual) const {
    const rig::Vector3<T> turn_axis =
        ring.stage_R.col(0).cast<T>() * axis[0] + ring.stage_R.col(1).cast<T>() * axis[1];
    const rig::Vector3<T> direction =
        rig::rotation_from_vector<T>(turn_axis) * ring.axis.direction.cast<T>();
    const rig::Vector3<T> origin =
        ring.axis.origin_mm.cast<T>() + rig::Vector3<T>(axis[2], axis[3], axis[4]);
    const rig::Vector3<T> on_board(T(board_mm.x()), T(board_mm.y()), T(0));
    const rig::Vector3<T> on_stage =
        rig::rotation_from_vector<T>(rig::Vector3<T>(board[0], board[1], board[2])) * on_board +
        rig::Vector3<T>(board[3], board[4], board[5]);
    const rig::Vector3<T> x = rig::stage_rotation<T>(direction, origin, telecentric) *
                                  (rig::turn<T>(angle + azimuth[0] + angle_step[0]) * on_stage) +
                              origin;
    const Eigen::Matrix<T, 2, 1> pixel = rig::project<T>(camera, telecentric, x);
    residual[0] = (pixel[0] - seen_px.x()) / sigma_px;
    residual[1] = (pixel[1] - seen_px.y()) / sigma_px;
    return true;
  }
};
using CornerFunction = ceres::AutoDiffCostFunction<CornerCost, 2, 5, 1, 1, 6, 9>;

struct ScalarPrior {
  double sigma;
  template <typename T>
  bool operator()(const T* value, T* residual) const {
    residual[0] = value[0] / sigma;
    return true;
  }
};

// The gauge: the origin stays where it is along the axis (and, telecentric, in depth, which no
// such camera sees).
struct GaugePrior {
  Eigen::Vector3d along;
  template <typename T>
  bool operator()(const T* axis, T* residual) const {
    constexpr double kHeld_mm = 1e-4;
    residual[0] = (along.x() * axis[2] + along.y() * axis[3] + along.z() * axis[4]) / kHeld_mm;
    return true;
  }
};

struct CameraPrior {
  CameraVector mean;
  Eigen::Matrix<double, 9, 9> sqrt_information;
  template <typename T>
  bool operator()(const T* camera, T* residual) const {
    Eigen::Matrix<T, 9, 1> d;
    for (int k = 0; k < 9; ++k) d[k] = camera[k] - mean[static_cast<std::size_t>(k)];
    Eigen::Map<Eigen::Matrix<T, 9, 1>> r(residual);
    r = sqrt_information.cast<T>() * d;
    return true;
  }
};

CameraVector vector_of(const Camera& c) {
  return {c.fx,
          c.fy,
          c.cx,
          c.cy,
          c.distortion[0],
          c.distortion[1],
          c.distortion[2],
          c.distortion[3],
          c.distortion[4]};
}

// Directions without variance are held to a thousandth of what moves an image by a pixel or so.
Eigen::Matrix<double, 9, 9> sqrt_information_of(const Eigen::Matrix<double, 9, 9>& covariance) {
  Eigen::Vector<double, 9> least;
  least << 1e-3, 1e-3, 1e-3, 1e-3, 1e-6, 1e-6, 1e-7, 1e-7, 1e-6;
  Eigen::Matrix<double, 9, 9> padded = covariance;
  padded.diagonal() += least.array().square().matrix();
  const Eigen::Vector<double, 9> scale = padded.diagonal().cwiseSqrt();
  const Eigen::Matrix<double, 9, 9> correlation =
      scale.cwiseInverse().asDiagonal() * padded * scale.cwiseInverse().asDiagonal();
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix<double, 9, 9>> eigen(correlation);
  const Eigen::Vector<double, 9> inverse =
      eigen.eigenvalues().cwiseMax(1e-12).cwiseSqrt().cwiseInverse();
  return inverse.asDiagonal() * eigen.eigenvectors().transpose() *
         scale.cwiseInverse().asDiagonal();
}

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
        const Eigen::Vector2d on_board(corner.column * request_.pattern.square_mm,
                                       corner.row * request_.pattern.square_mm);
        problem.AddResidualBlock(
            new CornerFunction(new CornerCost{rings_[sighting.ring], telecentric_, start_.angles[i],
                                              on_board, corner.position_px, sigma_px}),
            new ceres::HuberLoss(3.0), axis_[sighting.ring].data(), &azimuth_[sighting.ring],
            &angle_[i], board_[static_cast<std::size_t>(start_.board[i])].data(), camera_.data());
      }
      if (options_.sigma_angle > 0) {
        problem.AddResidualBlock(new ceres::AutoDiffCostFunction<ScalarPrior, 1, 1>(
                                     new ScalarPrior{options_.sigma_angle}),
                                 nullptr, &angle_[i]);
      } else if (first_of_ring(i)) {
        problem.SetParameterBlockConstant(&angle_[i]);
      }
    }
    for (std::size_t r = 0; r < rings_.size(); ++r) {
      if (r == 0) {
        problem.SetParameterBlockConstant(azimuth_.data());
        add_gauge(problem, rings_[0].axis.direction);
      } else {
        problem.AddResidualBlock(new ceres::AutoDiffCostFunction<ScalarPrior, 1, 1>(
                                     new ScalarPrior{options_.sigma_azimuth}),
                                 nullptr, &azimuth_[r]);
      }
      if (telecentric_) hold_depth(problem, r);
    }
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<CameraPrior, 9, 9>(new CameraPrior{
            vector_of(request_.camera), sqrt_information_of(request_.camera_covariance)}),
        nullptr, camera_.data());
  }

  [[nodiscard]] bool first_of_ring(std::size_t i) const {
    for (std::size_t k = 0; k < i; ++k) {
      if (request_.sightings[k].ring == request_.sightings[i].ring) return false;
    }
    return true;
  }
  void add_gauge(ceres::Problem& problem, const Eigen::Vector3d& along) {
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<GaugePrior, 1, 5>(new GaugePrior{along}), nullptr,
        axis_[0].data());
  }
  void hold_depth(ceres::Problem& problem, std::size_t r) {
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<GaugePrior, 1, 5>(new GaugePrior{Eigen::Vector3d::UnitZ()}),
        nullptr, axis_[r].data());
  }

  void read(Fit& fit, ceres::Problem& /*problem*/) const {
    fit.axes.clear();
    for (std::size_t r = 0; r < rings_.size(); ++r) {
      const Eigen::Vector3d rotation =
          rings_[r].stage_R.col(0) * axis_[r][0] + rings_[r].stage_R.col(1) * axis_[r][1];
      Axis axis = rings_[r].axis;
      axis.direction = rig::rotation_from_vector<double>(rotation) * axis.direction;
      axis.direction.normalize();
      axis.origin_mm += Eigen::Vector3d(axis_[r][2], axis_[r][3], axis_[r][4]);
      fit.axes.push_back(axis);
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
        const CornerCost cost{
            rings_[sighting.ring],
            telecentric_,
            start_.angles[i],
            Eigen::Vector2d(corner.column, corner.row) * request_.pattern.square_mm,
            corner.position_px,
            1.0};
        Eigen::Vector2d r;
        cost(axis_[sighting.ring].data(), &azimuth_[sighting.ring], &angle_[i],
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
    const auto middle = coordinates.begin() + static_cast<std::ptrdiff_t>(coordinates.size() / 2);
    std::nth_element(coordinates.begin(), middle, coordinates.end());
    const double robust = *middle / 0.6745;
    const double plain = std::sqrt(sum / std::max(1.0, equations - unknowns));
    fit.sigma_px = plain < 1.3 * robust ? plain : robust;
  }

  void covariance(Fit& fit, ceres::Problem& problem) {
    ceres::Covariance::Options options;
    options.algorithm_type = ceres::DENSE_SVD;
    options.null_space_rank = -1;
    options.num_threads = 1;
    ceres::Covariance covariance(options);
    std::vector<std::pair<const double*, const double*>> wanted;
    for (auto& axis : axis_) wanted.emplace_back(axis.data(), axis.data());
    for (double& angle : angle_) wanted.emplace_back(&angle, &angle);
    fit.covariances.assign(axis_.size(), AxisCovariance::Zero());
    fit.angle_sigmas.assign(angle_.size(), 0.0);
    if (!covariance.Compute(wanted, &problem)) return;
    for (std::size_t r = 0; r < axis_.size(); ++r) {
      Eigen::Matrix<double, 5, 5, Eigen::RowMajor> block;
      covariance.GetCovarianceBlock(axis_[r].data(), axis_[r].data(), block.data());
      fit.covariances[r] = block;
    }
    for (std::size_t i = 0; i < angle_.size(); ++i) {
      double variance = 0;
      covariance.GetCovarianceBlock(&angle_[i], &angle_[i], &variance);
      fit.angle_sigmas[i] = std::sqrt(variance);
    }
  }

  const AxisRequest& request_;
  const FitStart& start_;
  FitOptions options_;
  bool telecentric_;
  std::vector<RingStart> rings_;
  std::vector<std::array<double, 5>> axis_;
  std::vector<double> azimuth_;
  std::vector<double> angle_;
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

}  // namespace trunnion::axis_calibration

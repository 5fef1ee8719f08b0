#include "stages/calibrate_lens/fit.h"

#include <ceres/ceres.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/calib3d.hpp>

#include "core/median.h"

namespace trunnion::calibrate_lens {

int Corners::used_count() const {
  return static_cast<int>(std::count(used.begin(), used.end(), static_cast<char>(1)));
}

namespace {

// The distance between a measured corner and its image under the model; source: model.h.
struct CornerResidual {
  template <typename T>
  bool operator()(const T* camera, const T* view, T* residual) const {
    T u;
    T v;
    project_board_point(frame, camera, view, board_mm.x(), board_mm.y(), &u, &v);
    residual[0] = (image_px.x() - u) * weight;
    residual[1] = (image_px.y() - v) * weight;
    return true;
  }
  Frame frame;
  Eigen::Vector2d board_mm;
  Eigen::Vector2d image_px;
  double weight;  // 1 / sigma
};

// What the setup says about the strength of perspective.
struct PriorResidual {
  template <typename T>
  bool operator()(const T* camera, T* residual) const {
    residual[0] = (camera[kE] - e0) / sigma;
    return true;
  }
  double e0;
  double sigma;
};

// What a model holds near zero instead of setting it free.
struct HeldResidual {
  template <typename T>
  bool operator()(const T* camera, T* residual) const {
    for (std::size_t i = 0; i < sigmas.size(); ++i) {
      residual[i] = sigmas[i] > 0 ? T(camera[i] / sigmas[i]) : T(0.0);
    }
    return true;
  }
  std::array<double, kCameraSize> sigmas;
};

PriorResidual prior_residual(const Frame& frame, const Prior& prior) {
  const double e0 = frame.rho() / prior.principal_distance_px;
  return {e0, e0 * prior.sigma_fraction};
}

// 1 / c^2 in units of rho from the homographies of square pixels with a central principal point:
// Zhang's constraints h1' w h2 = 0 and h1' w h1 = h2' w h2 with w = diag(w, w, 1) (Z. Zhang, "A
// flexible new technique for camera calibration", PAMI 22(11), 2000, section 3.1).
double closed_form_e(const std::vector<Eigen::Matrix3d>& homographies) {
  double mm = 0;
  double mn = 0;
  for (const Eigen::Matrix3d& h : homographies) {
    const double scale = 1.0 / h.topLeftCorner<2, 2>().squaredNorm();
    const double m1 = scale * h.col(0).head<2>().dot(h.col(1).head<2>());
    const double n1 = scale * h(2, 0) * h(2, 1);
    const double m2 = scale * (h.col(0).head<2>().squaredNorm() - h.col(1).head<2>().squaredNorm());
    const double n2 = scale * (h(2, 0) * h(2, 0) - h(2, 1) * h(2, 1));
    mm += m1 * m1 + m2 * m2;
    mn += m1 * n1 + m2 * n2;
  }
  const double w = mm > 0 ? -mn / mm : 0;
  return w > 0 ? std::sqrt(w) : 0.0;
}

Eigen::Matrix3d homography_of(const Frame& frame, const Corners& corners) {
  std::vector<cv::Point2d> board;
  std::vector<cv::Point2d> image;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    if (!corners.used[i]) continue;
    board.emplace_back(corners.board_mm[i].x(), corners.board_mm[i].y());
    image.emplace_back((corners.image_px[i].x() - frame.centre_x()) / frame.rho(),
                       (corners.image_px[i].y() - frame.centre_y()) / frame.rho());
  }
  const cv::Matx33d h = cv::findHomography(board, image, 0);
  Eigen::Matrix3d result;
  for (int i = 0; i < 3; ++i) {
    for (int j = 0; j < 3; ++j) result(i, j) = h(i, j);
  }
  return result;
}

// The two views (tilted one way or the other) whose local image at the board's middle is that of
// the homography, were the camera scaled orthographic: its 2 x 2 Jacobian is scale x the upper left
// of the rotation.
std::array<ViewVector, 2> affine_views(const Eigen::Matrix3d& h, double camera_log_scale) {
  const Eigen::Vector2d origin = h.col(2).head<2>() / h(2, 2);
  Eigen::Matrix2d a;
  for (int j = 0; j < 2; ++j) a.col(j) = (h.col(j).head<2>() - origin * h(2, j)) / h(2, 2);
  const Eigen::JacobiSVD<Eigen::Matrix2d> svd(a);
  const double scale = svd.singularValues()[0];
  a /= scale;
  const double z1 = std::sqrt(std::max(0.0, 1.0 - a.col(0).squaredNorm()));
  double z2 = std::sqrt(std::max(0.0, 1.0 - a.col(1).squaredNorm()));
  if (a.col(0).dot(a.col(1)) > 0) z2 = -z2;  // the columns of a rotation are orthogonal
  std::array<ViewVector, 2> views;
  for (int flip = 0; flip < 2; ++flip) {
    const double sign = flip == 0 ? 1.0 : -1.0;
    Eigen::Matrix3d R;
    R.col(0) << a.col(0), sign * z1;
    R.col(1) << a.col(1), sign * z2;
    R.col(2) = R.col(0).cross(R.col(1));
    const Eigen::JacobiSVD<Eigen::Matrix3d> nearest(R, Eigen::ComputeFullU | Eigen::ComputeFullV);
    R = nearest.matrixU() * nearest.matrixV().transpose();
    if (R.determinant() < 0) R = -R;
    const Eigen::AngleAxisd rotation(R);
    ViewVector& view = views[static_cast<std::size_t>(flip)];
    view << rotation.angle() * rotation.axis(), origin, std::log(scale) - camera_log_scale;
  }
  return views;
}

double squared_error(const Fit& fit, const ViewVector& view, const Corners& corners) {
  double sum = 0;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    if (!corners.used[i]) continue;
    double u = 0;
    double v = 0;
    project_board_point(fit.frame, fit.camera.data(), view.data(), corners.board_mm[i].x(),
                        corners.board_mm[i].y(), &u, &v);
    sum += (corners.image_px[i] - Eigen::Vector2d(u, v)).squaredNorm();
  }
  return std::isfinite(sum) ? sum : std::numeric_limits<double>::max();
}

// The same image seen with the tilt turned over.
ViewVector flipped(const ViewVector& view) {
  const double angle = view.head<3>().norm();
  if (angle == 0) return view;
  Eigen::Matrix3d R = rotation_about(view.head<3>() / angle, angle);
  const Eigen::DiagonalMatrix<double, 3> mirror(1, 1, -1);
  R = mirror * R * mirror;
  const Eigen::AngleAxisd rotation(R);
  ViewVector result = view;
  result.head<3>() = rotation.angle() * rotation.axis();
  return result;
}

constexpr double kSmallestE = 1e-5;  // c = 100 000 image half-diagonals: parallel to any measure

void solve(Fit& fit, const std::vector<Corners>& boards, const FitOptions& options, double sigma) {
  ceres::Problem problem;
  double* camera = fit.camera.data();
  for (std::size_t v = 0; v < boards.size(); ++v) {
    for (std::size_t i = 0; i < boards[v].size(); ++i) {
      if (!boards[v].used[i]) continue;
      auto* cost = new ceres::AutoDiffCostFunction<CornerResidual, 2, kCameraSize, kViewSize>(
          new CornerResidual{fit.frame, boards[v].board_mm[i], boards[v].image_px[i], 1.0 / sigma});
      ceres::LossFunction* loss =
          options.robust_px > 0 ? new ceres::CauchyLoss(options.robust_px / sigma) : nullptr;
      problem.AddResidualBlock(cost, loss, camera, fit.views[v].data());
    }
    if (fit.model.projection == Projection::telecentric && boards[v].used_count() > 0) {
      problem.SetManifold(fit.views[v].data(), new ceres::SubsetManifold(kViewSize, {kLogScale}));
    }
  }
  const auto free = free_parameters(fit.model);
  std::vector<int> held;
  for (int i = 0; i < kCameraSize; ++i) {
    if (!free[static_cast<std::size_t>(i)]) held.push_back(i);
  }
  problem.SetManifold(camera, new ceres::SubsetManifold(kCameraSize, held));
  problem.AddResidualBlock(new ceres::AutoDiffCostFunction<HeldResidual, kCameraSize, kCameraSize>(
                               new HeldResidual{holding_sigmas(fit.model)}),
                           nullptr, camera);
  if (free[kE]) {
    problem.SetParameterLowerBound(camera, kE, kSmallestE);
    if (options.prior) {
      problem.AddResidualBlock(new ceres::AutoDiffCostFunction<PriorResidual, 1, kCameraSize>(
                                   new PriorResidual(prior_residual(fit.frame, *options.prior))),
                               nullptr, camera);
    }
  }
  ceres::Solver::Options solver;
  solver.linear_solver_type = ceres::DENSE_SCHUR;
  solver.max_num_iterations = options.max_iterations;
  solver.function_tolerance = 1e-12;
  solver.parameter_tolerance = 1e-12;
  solver.gradient_tolerance = 1e-14;
  solver.num_threads = 1;  // one order of summation: the same bytes on any machine
  solver.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(solver, &problem, &summary);
  fit.converged = summary.IsSolutionUsable();
}

void take_statistics(Fit& fit, const std::vector<Corners>& boards, bool robust) {
  double sum = 0;
  int count = 0;
  int views = 0;
  std::vector<double> lengths;
  for (std::size_t v = 0; v < boards.size(); ++v) {
    const auto found = residuals(fit, v, boards[v]);
    views += boards[v].used_count() > 0 ? 1 : 0;
    for (std::size_t i = 0; i < found.size(); ++i) {
      if (!boards[v].used[i]) continue;
      sum += found[i].squaredNorm();
      lengths.push_back(found[i].norm());
      ++count;
    }
  }
  fit.corners = count;
  fit.rms_px = std::sqrt(sum / std::max(1, count));
  const int per_view = fit.model.projection == Projection::telecentric ? 5 : 6;
  const int freedom = 2 * count - per_view * views - parameter_count(fit.model);
  fit.sigma_px = std::sqrt(sum / std::max(1, freedom));
  if (robust && !lengths.empty()) {
    fit.sigma_px = median_in_place(lengths) /
                   std::sqrt(2.0 * std::log(2.0));  // median of a Rayleigh distribution
  }
  fit.sigma_px = std::max(fit.sigma_px, 1e-9);
}

// Where the tilt turned over fits better, it is taken; true where any was.
bool turn_views(Fit& fit, const std::vector<Corners>& boards) {
  bool turned = false;
  for (std::size_t v = 0; v < boards.size(); ++v) {
    if (boards[v].used_count() == 0) continue;
    const ViewVector other = fit_view(fit, flipped(fit.views[v]), boards[v]);
    const double now = squared_error(fit, fit.views[v], boards[v]);
    if (squared_error(fit, other, boards[v]) < now * (1.0 - 1e-6)) {
      fit.views[v] = other;
      turned = true;
    }
  }
  return turned;
}

}  // namespace

std::vector<Eigen::Vector2d> residuals(const Fit& fit, std::size_t view, const Corners& corners) {
  std::vector<Eigen::Vector2d> found;
  found.reserve(corners.size());
  for (std::size_t i = 0; i < corners.size(); ++i) {
    double u = 0;
    double v = 0;
    project_board_point(fit.frame, fit.camera.data(), fit.views[view].data(),
                        corners.board_mm[i].x(), corners.board_mm[i].y(), &u, &v);
    found.emplace_back(corners.image_px[i] - Eigen::Vector2d(u, v));
  }
  return found;
}

ViewVector fit_view(const Fit& fit, const ViewVector& start, const Corners& corners) {
  ceres::Problem problem;
  CameraVector camera = fit.camera;
  ViewVector view = start;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    if (!corners.used[i]) continue;
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<CornerResidual, 2, kCameraSize, kViewSize>(
            new CornerResidual{fit.frame, corners.board_mm[i], corners.image_px[i], 1.0}),
        nullptr, camera.data(), view.data());
  }
  if (problem.NumResidualBlocks() == 0) return view;
  problem.SetParameterBlockConstant(camera.data());
  if (fit.model.projection == Projection::telecentric) {
    problem.SetManifold(view.data(), new ceres::SubsetManifold(kViewSize, {kLogScale}));
  }
  ceres::Solver::Options solver;
  solver.linear_solver_type = ceres::DENSE_QR;
  solver.max_num_iterations = 50;
  solver.num_threads = 1;
  solver.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(solver, &problem, &summary);
  return view;
}

Fit fit_from(const Fit& start, const Model& model, const std::vector<Corners>& boards,
             const FitOptions& options) {
  Fit fit = start;
  fit.model = model;
  const auto free = free_parameters(model);
  for (int i = 0; i < kCameraSize; ++i) {
    // A held e keeps its meaning (none) only in a telecentric model, a held scale is one.
    if (!free[static_cast<std::size_t>(i)] && !(i == kScale)) fit.camera[i] = 0.0;
  }
  double sigma = start.sigma_px > 0 ? start.sigma_px : options.start_sigma_px;
  for (int round = 0; round < 4; ++round) {
    solve(fit, boards, options, sigma);
    take_statistics(fit, boards, options.robust_px > 0);
    const double change = std::abs(fit.sigma_px / sigma - 1.0);
    sigma = fit.sigma_px;
    // Without a prior and a robust loss the weight does not move the solution.
    const bool weight_matters = options.prior.has_value() || options.robust_px > 0 ||
                                !model.principal_point || !model.tangential;
    if (!weight_matters || change < 0.01) break;
  }
  return fit;
}

Fit fit_model(const Frame& frame, const Model& model, const std::vector<Corners>& boards,
              const FitOptions& options) {
  Fit fit;
  fit.model = model;
  fit.frame = frame;
  fit.views.assign(boards.size(), ViewVector::Zero());
  std::vector<Eigen::Matrix3d> homographies(boards.size(), Eigen::Matrix3d::Zero());
  std::vector<Eigen::Matrix3d> known;
  for (std::size_t v = 0; v < boards.size(); ++v) {
    if (boards[v].used_count() < 4) continue;
    homographies[v] = homography_of(frame, boards[v]);
    known.push_back(homographies[v]);
  }
  if (model.projection == Projection::perspective) {
    const double found = closed_form_e(known);
    const bool sound = found > 0.01 && found < 3.0;
    const double otherwise =
        options.prior ? frame.rho() / options.prior->principal_distance_px : 0.2;
    fit.camera[kE] = sound ? found : otherwise;
  } else {
    std::vector<double> scales;
    for (const Eigen::Matrix3d& h : known) scales.push_back(affine_views(h, 0.0)[0][kLogScale]);
    fit.camera[kScale] = median_in_place(scales);
  }
  for (std::size_t v = 0; v < boards.size(); ++v) {
    if (boards[v].used_count() < 4) continue;
    auto candidates = affine_views(homographies[v], fit.camera[kScale]);
    double best = std::numeric_limits<double>::infinity();
    for (ViewVector candidate : candidates) {
      if (model.projection == Projection::telecentric) candidate[kLogScale] = 0.0;
      const ViewVector fitted = fit_view(fit, candidate, boards[v]);
      const double error = squared_error(fit, fitted, boards[v]);
      if (error < best) {
        best = error;
        fit.views[v] = fitted;
      }
    }
  }
  fit = fit_from(fit, model, boards, options);
  if (turn_views(fit, boards)) fit = fit_from(fit, model, boards, options);
  return fit;
}

}  // namespace trunnion::calibrate_lens

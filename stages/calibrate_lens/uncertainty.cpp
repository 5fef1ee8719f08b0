// Covariance of a fit by eliminating the views from the normal equations.
#include <ceres/jet.h>

#include <Eigen/Dense>
#include <cmath>
#include <limits>

#include "core/median.h"
#include "stages/calibrate_lens/fit.h"

namespace trunnion::calibrate_lens {
namespace {

using Jet = ceres::Jet<double, kCameraSize + kViewSize>;
using ViewMatrix = Eigen::Matrix<double, kViewSize, kViewSize>;
using CrossMatrix = Eigen::Matrix<double, kCameraSize, kViewSize>;

// The normal equations of one board.
struct Blocks {
  CameraMatrix camera = CameraMatrix::Zero();
  CrossMatrix cross = CrossMatrix::Zero();
  ViewMatrix view = ViewMatrix::Zero();
};

Blocks blocks_of(const Fit& fit, const ViewVector& view, const Corners& corners) {
  std::array<Jet, kCameraSize> camera_jets;
  std::array<Jet, kViewSize> view_jets;
  for (int i = 0; i < kCameraSize; ++i) {
    camera_jets[static_cast<std::size_t>(i)] = Jet(fit.camera[i], i);
  }
  for (int i = 0; i < kViewSize; ++i) {
    view_jets[static_cast<std::size_t>(i)] = Jet(view[i], kCameraSize + i);
  }
  Blocks blocks;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    if (!corners.used[i]) continue;
    std::array<Jet, 2> pixel;
    project_board_point(fit.frame, camera_jets.data(), view_jets.data(), corners.board_mm[i].x(),
                        corners.board_mm[i].y(), &pixel[0], &pixel[1]);
    for (const Jet& coordinate : pixel) {
      const CameraVector a = coordinate.v.head<kCameraSize>();
      ViewVector b = coordinate.v.tail<kViewSize>();
      if (fit.model.projection == Projection::telecentric) b[kLogScale] = 0.0;
      blocks.camera += a * a.transpose();
      blocks.cross += a * b.transpose();
      blocks.view += b * b.transpose();
    }
  }
  if (fit.model.projection == Projection::telecentric) blocks.view(kLogScale, kLogScale) = 1.0;
  const double weight = 1.0 / (fit.sigma_px * fit.sigma_px);
  blocks.camera *= weight;
  blocks.cross *= weight;
  blocks.view *= weight;
  return blocks;
}

CameraMatrix reduced(const Blocks& blocks) {
  return blocks.camera - blocks.cross * blocks.view.ldlt().solve(blocks.cross.transpose());
}

// Correlation of log c = -log e with log Z = -log e - log S of one board.
double correlation(const Fit& fit, const Blocks& blocks, const CameraMatrix& covariance) {
  const ViewMatrix view_inverse = blocks.view.inverse();
  const CrossMatrix gain = blocks.cross * view_inverse;
  const CrossMatrix cross = -covariance * gain;
  const ViewMatrix view = view_inverse + gain.transpose() * covariance * gain;
  const double e = fit.camera[kE];
  const double var_c = covariance(kE, kE) / (e * e);
  const double cov_es = cross(kE, kLogScale) / e;
  const double var_z = view(kLogScale, kLogScale) + var_c + 2.0 * cov_es;
  return (var_c + cov_es) / std::sqrt(var_c * var_z);
}

}  // namespace

bool invert_information(const CameraMatrix& information, const std::array<bool, kCameraSize>& free,
                        CameraMatrix* covariance) {
  std::vector<Eigen::Index> index;
  for (std::size_t i = 0; i < free.size(); ++i) {
    if (free[i]) index.push_back(static_cast<Eigen::Index>(i));
  }
  const auto n = static_cast<Eigen::Index>(index.size());
  Eigen::MatrixXd part(n, n);
  Eigen::VectorXd scale(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const double diagonal =
        information(index[static_cast<std::size_t>(i)], index[static_cast<std::size_t>(i)]);
    if (!(diagonal > 0)) return false;
    scale[i] = 1.0 / std::sqrt(diagonal);
  }
  for (Eigen::Index i = 0; i < n; ++i) {
    for (Eigen::Index j = 0; j < n; ++j) {
      part(i, j) =
          information(index[static_cast<std::size_t>(i)], index[static_cast<std::size_t>(j)]) *
          scale[i] * scale[j];
    }
  }
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(part);
  if (!(eigen.eigenvalues()[0] > 1e-13)) return false;
  const Eigen::MatrixXd inverse = scale.asDiagonal() * eigen.eigenvectors() *
                                  eigen.eigenvalues().cwiseInverse().asDiagonal() *
                                  eigen.eigenvectors().transpose() * scale.asDiagonal();
  covariance->setZero();
  for (Eigen::Index i = 0; i < n; ++i) {
    for (Eigen::Index j = 0; j < n; ++j) {
      (*covariance)(index[static_cast<std::size_t>(i)], index[static_cast<std::size_t>(j)]) =
          inverse(i, j);
    }
  }
  return true;
}

CameraMatrix information_of(const Fit& fit, const ViewVector& view, const Corners& corners) {
  return reduced(blocks_of(fit, view, corners));
}

Uncertainty uncertainty_of(const Fit& fit, const std::vector<Corners>& boards,
                           const std::optional<Prior>& prior) {
  CameraMatrix information = CameraMatrix::Zero();
  std::vector<Blocks> blocks;
  for (std::size_t v = 0; v < boards.size(); ++v) {
    if (boards[v].used_count() == 0) continue;
    blocks.push_back(blocks_of(fit, fit.views[v], boards[v]));
    information += reduced(blocks.back());
  }
  const auto held = holding_sigmas(fit.model);
  for (int i = 0; i < kCameraSize; ++i) {
    const double sigma = held[static_cast<std::size_t>(i)];
    if (sigma > 0) information(i, i) += 1.0 / (sigma * sigma);
  }
  const auto free = free_parameters(fit.model);
  const bool perspective = fit.model.projection == Projection::perspective;
  Uncertainty result;
  CameraMatrix data_only = CameraMatrix::Zero();
  const bool data_regular = invert_information(information, free, &data_only);
  result.e_data = fit.camera[kE];
  if (perspective) {
    result.principal_distance_data = data_regular ? std::sqrt(data_only(kE, kE)) / fit.camera[kE]
                                                  : std::numeric_limits<double>::infinity();
    if (prior) {
      const double sigma = fit.frame.rho() / prior->principal_distance_px * prior->sigma_fraction;
      information(kE, kE) += 1.0 / (sigma * sigma);
      // The fit is the weighted mean of the data's e and the prior's.
      if (data_regular) {
        const double e0 = fit.frame.rho() / prior->principal_distance_px;
        result.e_data += (fit.camera[kE] - e0) * data_only(kE, kE) / (sigma * sigma);
        result.principal_distance_data = std::sqrt(data_only(kE, kE)) / std::abs(result.e_data);
      }
    }
  }
  result.information = information;
  result.regular = invert_information(information, free, &result.covariance);
  if (!result.regular || !perspective) return result;
  result.principal_distance = std::sqrt(result.covariance(kE, kE)) / fit.camera[kE];
  std::vector<double> correlations;
  for (const Blocks& board : blocks) {
    correlations.push_back(correlation(fit, board, result.covariance));
  }
  result.correlation_with_distance = median_in_place(correlations);
  return result;
}

}  // namespace trunnion::calibrate_lens

#include "core/board_outliers.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <map>
#include <opencv2/calib3d.hpp>
#include <optional>
#include <utility>

#include "core/median.h"

namespace trunnion {
namespace {

constexpr double kWildSigmas = 6.0;
constexpr double kLeastPx = 0.5;

// What the robust homography leaves, px.
Eigen::MatrixXd homography_residuals(const std::vector<BoardCorner>& corners) {
  std::vector<cv::Point2d> places;
  std::vector<cv::Point2d> seen;
  for (const BoardCorner& corner : corners) {
    places.emplace_back(corner.column, corner.row);
    seen.emplace_back(corner.position_px.x(), corner.position_px.y());
  }
  const cv::Mat found = cv::findHomography(places, seen, cv::LMEDS);
  Eigen::MatrixXd residuals(static_cast<Eigen::Index>(corners.size()), 2);
  if (found.empty()) return {};
  const cv::Matx33d h = found;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const cv::Vec3d p = h * cv::Vec3d(places[i].x, places[i].y, 1.0);
    residuals.row(static_cast<Eigen::Index>(i)) << seen[i].x - p[0] / p[2], seen[i].y - p[1] / p[2];
  }
  return residuals;
}

Eigen::MatrixXd terms_of(const std::vector<BoardCorner>& corners) {
  const auto n = static_cast<Eigen::Index>(corners.size());
  Eigen::Array2d mean = Eigen::Array2d::Zero();
  for (const BoardCorner& c : corners) mean += Eigen::Array2d(c.column, c.row);
  mean /= static_cast<double>(corners.size());
  Eigen::Array2d reach = Eigen::Array2d::Ones();
  for (const BoardCorner& c : corners) {
    reach = reach.max((Eigen::Array2d(c.column, c.row) - mean).abs());
  }
  Eigen::ArrayXd x(n);
  Eigen::ArrayXd y(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const BoardCorner& c = corners[static_cast<std::size_t>(i)];
    x[i] = (c.column - mean[0]) / reach[0];
    y[i] = (c.row - mean[1]) / reach[1];
  }
  const Eigen::Index count = n >= 40 ? 10 : n >= 24 ? 6 : 3;
  Eigen::MatrixXd terms(n, count);
  terms.leftCols(3) << Eigen::ArrayXd::Ones(n), x, y;
  if (count >= 6) terms.middleCols(3, 3) << x * x, x * y, y * y;
  if (count >= 10) terms.rightCols(4) << x * x * x, x * x * y, x * y * y, y * y * y;
  return terms;
}

// Distance of every corner from the fit to the others, px.
Eigen::VectorXd misses(const Eigen::MatrixXd& terms, const Eigen::MatrixXd& values) {
  Eigen::VectorXd weights = Eigen::VectorXd::Ones(values.rows());
  Eigen::VectorXd norms;
  Eigen::VectorXd leverage;
  // Least sum of distances by reweighting (E. J. Schlossmacher, JASA 68(344), 1973).
  for (int round = 0; round < 30; ++round) {
    const Eigen::VectorXd root = weights.cwiseSqrt();
    const Eigen::MatrixXd weighted = root.asDiagonal() * terms;
    const Eigen::LDLT<Eigen::MatrixXd> normal(weighted.transpose() * weighted);
    const Eigen::MatrixXd fit = normal.solve(weighted.transpose() * (root.asDiagonal() * values));
    norms = (values - terms * fit).rowwise().norm();
    leverage = (weighted * normal.solve(weighted.transpose())).diagonal();
    weights = norms.cwiseMax(0.01).cwiseInverse();
  }
  return norms.cwiseQuotient((1.0 - leverage.array()).max(0.5).matrix());
}

using Places = std::map<std::pair<int, int>, Eigen::Vector2d>;

// How far a corner lies from where its neighbours along one line of the lattice put it (a cubic
// through two on either side, or a parabola through three), over what their own errors add up to.
std::optional<double> off_line(const Places& places, const BoardCorner& corner,
                               const Eigen::Vector2i& along) {
  using Stencil = std::vector<std::pair<int, double>>;  // steps along the line, weights
  static const std::array<Stencil, 5> kStencils{{
      {{-2, -1.0 / 6}, {-1, 4.0 / 6}, {1, 4.0 / 6}, {2, -1.0 / 6}},
      {{-1, 1.0 / 3}, {1, 1.0}, {2, -1.0 / 3}},
      {{1, 1.0 / 3}, {-1, 1.0}, {-2, -1.0 / 3}},
      {{1, 3.0}, {2, -3.0}, {3, 1.0}},
      {{-1, 3.0}, {-2, -3.0}, {-3, 1.0}},
  }};
  for (const Stencil& stencil : kStencils) {
    Eigen::Vector2d sum = Eigen::Vector2d::Zero();
    double squares = 0;
    bool whole = true;
    for (const auto& [step, weight] : stencil) {
      const auto at =
          places.find({corner.column + step * along.x(), corner.row + step * along.y()});
      whole = whole && at != places.end();
      if (!whole) break;
      sum += weight * at->second;
      squares += weight * weight;
    }
    if (whole) return (sum - corner.position_px).norm() / std::max(1.0, std::sqrt(squares));
  }
  return std::nullopt;
}

// The greater of what a corner's row and its column say, px. A fit over the
// whole board misses the corners of a strongly distorted image, their lines don't.
double off_its_lines(const Places& places, const BoardCorner& corner) {
  std::optional<double> most;
  for (const Eigen::Vector2i& along : {Eigen::Vector2i(1, 0), Eigen::Vector2i(0, 1)}) {
    const auto off = off_line(places, corner, along);
    if (off) most = std::max(most.value_or(0.0), *off);
  }
  return most.value_or(std::numeric_limits<double>::infinity());
}

}  // namespace

std::vector<BoardCorner> without_outliers(const std::vector<BoardCorner>& corners,
                                          double spacing_px) {
  if (corners.size() < 9) return corners;
  const Eigen::MatrixXd residuals = homography_residuals(corners);
  if (residuals.size() == 0) return corners;
  const Eigen::VectorXd miss = misses(terms_of(corners), residuals);
  // The median length of two Gaussian coordinates is 1.1774 sigmas.
  std::vector<double> sorted(miss.begin(), miss.end());
  const double sigma = median_in_place(sorted) / 1.1774;
  const double limit = std::max({kWildSigmas * sigma, 0.01 * spacing_px, kLeastPx});
  Places places;
  for (const BoardCorner& corner : corners) {
    places[{corner.column, corner.row}] = corner.position_px;
  }
  std::vector<BoardCorner> kept;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const bool misses_fit = miss[static_cast<Eigen::Index>(i)] > limit;
    if (misses_fit && off_its_lines(places, corners[i]) > limit) continue;
    kept.push_back(corners[i]);
  }
  return kept;
}

}  // namespace trunnion

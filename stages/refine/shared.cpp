#include "stages/refine/shared.h"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <limits>

#include "core/angle.h"

namespace trunnion::refine {
namespace {

constexpr double kWaveLength = 0.7;  // rad
constexpr double kMountAngle = 1.0;  // rad: a bump has no prior
constexpr double kMountShift_mm = 10.0;
constexpr double kRobustWidth = 3.0;  // sigmas, as the loss of angle priors in priors.cpp

// Covariance of the errors that the images share.
Eigen::MatrixXd shared_covariance(const RigModel& model, const RigValues& values,
                                  const SharedErrors& errors) {
  const ParameterIndex index(model);
  Eigen::MatrixXd S = Eigen::MatrixXd::Zero(index.size(), index.size());
  const double angle = errors.shift_px / errors.radius_px;
  const double across = errors.shift_px * errors.object_mm;
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    const int axis = index.axis(r);
    S(axis, axis) = S(axis + 1, axis + 1) = angle * angle;
    S(axis + 2, axis + 2) = S(axis + 3, axis + 3) = across * across;
    S(index.azimuth_offset(r), index.azimuth_offset(r)) = angle * angle;
    S(index.tilt(r), index.tilt(r)) = angle * angle;
  }
  const auto azimuth = [&](std::size_t v) {
    const StationModel& station = model.stations[v];
    return station.stage_angle + values.azimuth_offset[station.ring] + values.angle[v];
  };
  for (std::size_t a = 0; a < model.stations.size(); ++a) {
    for (std::size_t b = 0; b < model.stations.size(); ++b) {
      const double between = std::remainder(azimuth(a) - azimuth(b), 2.0 * kPi) / kWaveLength;
      S(index.angle(a), index.angle(b)) = angle * angle * std::exp(-0.5 * between * between);
    }
  }
  return S;
}

// The rig's steps from the prior in the order of ParameterIndex.
Eigen::VectorXd steps_of(const RigModel& model, const RigValues& values) {
  const ParameterIndex index(model);
  Eigen::VectorXd x = Eigen::VectorXd::Zero(index.size());
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    for (int k = 0; k < 5; ++k) x[index.axis(r) + k] = values.axis[r][static_cast<std::size_t>(k)];
    x[index.azimuth_offset(r)] = values.azimuth_offset[r];
    x[index.tilt(r)] = values.tilt[r];
  }
  for (std::size_t v = 0; v < model.stations.size(); ++v) x[index.angle(v)] = values.angle[v];
  x[index.log_distance()] = values.log_distance;
  for (int k = 0; k < 4; ++k) x[index.line() + k] = values.line[static_cast<std::size_t>(k)];
  for (int k = 0; k < 6; ++k) x[index.mount() + k] = values.mount[static_cast<std::size_t>(k)];
  return x;
}

// The priors' covariance as the adjustment weighs it: a station far from its angle is let go.
Eigen::MatrixXd weighed_priors(const RigModel& model, const Eigen::VectorXd& x,
                               const FreeParameters& free) {
  const ParameterIndex index(model);
  Eigen::MatrixXd P = prior_covariance(model);
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    const int k = index.angle(v);
    const double far = x[k] / (kRobustWidth * model.stations[v].sigma_angle);
    P(k, k) = free.angles ? P(k, k) * (1.0 + far * far) : 0.0;
  }
  for (std::size_t r = 1; r < model.rings.size(); ++r) {
    const int k = index.azimuth_offset(r);
    const double far = x[k] / (kRobustWidth * model.rings[r].sigma_azimuth_offset);
    P(k, k) *= 1.0 + far * far;
  }
  for (int k = 0; free.mount && k < 6; ++k) {
    const double sigma = k < 3 ? kMountAngle : kMountShift_mm;
    P(index.mount() + k, index.mount() + k) = sigma * sigma;
  }
  return P;
}

struct Reduced {
  std::vector<int> kept;
  [[nodiscard]] Eigen::MatrixXd of(const Eigen::MatrixXd& full) const { return full(kept, kept); }
  [[nodiscard]] Eigen::VectorXd of(const Eigen::VectorXd& full) const { return full(kept); }
};

// The root of a matrix that has no negative eigenvalue but by rounding.
Eigen::MatrixXd root_of(const Eigen::MatrixXd& matrix) {
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(matrix);
  const Eigen::VectorXd roots = eigen.eigenvalues().cwiseMax(0.0).cwiseSqrt();
  return eigen.eigenvectors() * roots.asDiagonal() * eigen.eigenvectors().transpose();
}

// (information + (F F^T)^-1)^-1 as V^T V, so that rounding makes no variance negative.
Eigen::MatrixXd weighed_covariance(const Eigen::MatrixXd& information, const Eigen::MatrixXd& F) {
  const Eigen::Index count = F.rows();
  const Eigen::MatrixXd by_prior = F.transpose() * information * F;
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(0.5 *
                                                             (by_prior + by_prior.transpose()));
  const Eigen::VectorXd weights =
      (Eigen::VectorXd::Ones(count) + eigen.eigenvalues().cwiseMax(0.0)).cwiseSqrt();
  const Eigen::MatrixXd V =
      weights.cwiseInverse().asDiagonal() * eigen.eigenvectors().transpose() * F.transpose();
  return V.transpose() * V;
}

// `shared`: S of the header.
WeighedRig weighed_with(const RigModel& model, const RigValues& values,
                        const Eigen::MatrixXd& images, const Eigen::MatrixXd& shared,
                        const FreeParameters& free) {
  const ParameterIndex index(model);
  const Eigen::VectorXd found = steps_of(model, values);
  Reduced reduced;
  const Eigen::MatrixXd first = weighed_priors(model, found, free);
  for (int k = 0; k < index.size(); ++k) {
    if (first(k, k) > 0) reduced.kept.push_back(k);
  }
  const auto count = static_cast<Eigen::Index>(reduced.kept.size());
  // Each parameter in sigmas of its prior: radians and millimetres differ by orders of magnitude.
  const Eigen::VectorXd unit = reduced.of(first).diagonal().cwiseSqrt();
  const Eigen::VectorXd per_unit = unit.cwiseInverse();
  const Eigen::MatrixXd root = root_of(unit.asDiagonal() * reduced.of(images) * unit.asDiagonal());
  const Eigen::MatrixXd S = per_unit.asDiagonal() * reduced.of(shared) * per_unit.asDiagonal();
  // L' = (L^-1 + S)^-1
  const Eigen::MatrixXd widened = Eigen::MatrixXd::Identity(count, count) + root * S * root;
  const Eigen::MatrixXd less = root * widened.ldlt().solve(root);
  // At the solution the priors' pull and the images' are equal: L x_images = (L + P^-1) x.
  const Eigen::VectorXd x = per_unit.cwiseProduct(reduced.of(found));
  const auto priors = [&](const Eigen::VectorXd& steps) -> Eigen::MatrixXd {
    return per_unit.asDiagonal() * reduced.of(weighed_priors(model, steps, free)) *
           per_unit.asDiagonal();
  };
  const Eigen::VectorXd pull = priors(found).ldlt().solve(x);
  const Eigen::VectorXd right = less * x + pull - less * (S * pull);
  Eigen::VectorXd step = found;
  Eigen::MatrixXd covariance;
  for (int round = 0; round < 8; ++round) {
    covariance = weighed_covariance(less, root_of(priors(step)));
    const Eigen::VectorXd moved_to = unit.cwiseProduct(covariance * right);
    for (Eigen::Index k = 0; k < count; ++k) {
      step[reduced.kept[static_cast<std::size_t>(k)]] = moved_to[k];
    }
  }
  covariance = (unit.asDiagonal() * covariance * unit.asDiagonal()).eval();
  WeighedRig result;
  result.values = moved(model, values, step - found);
  result.covariance = Eigen::MatrixXd::Zero(index.size(), index.size());
  result.covariance(reduced.kept, reduced.kept) = 0.5 * (covariance + covariance.transpose());
  const Eigen::MatrixXd last = weighed_priors(model, step, free);
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    const int k = index.angle(v);
    const double seen = 1.0 / result.covariance(k, k) - 1.0 / last(k, k);
    result.image_sigma.push_back(last(k, k) > 0 && seen > 1e-9
                                     ? 1.0 / std::sqrt(seen)
                                     : std::numeric_limits<double>::infinity());
  }
  return result;
}

}  // namespace

WeighedRig weigh_against_priors(const RigModel& model, const RigValues& values,
                                const Eigen::MatrixXd& images, const SharedErrors& errors,
                                const FreeParameters& free) {
  const Eigen::MatrixXd shared = shared_covariance(model, values, errors);
  WeighedRig result = weighed_with(model, values, images, shared, free);
  if (!errors.nominal_axis) return result;
  const ParameterIndex index(model);
  Eigen::MatrixXd angles = Eigen::MatrixXd::Zero(index.size(), index.size());
  const int first = index.angle(0);
  const auto count = static_cast<Eigen::Index>(model.stations.size());
  angles.block(first, first, count, count) = shared.block(first, first, count, count);
  result.values = weighed_with(model, values, images, angles, free).values;
  return result;
}

double specimen_radius_px(const RigModel& model, const RigValues& values,
                          const std::vector<Track>& tracks) {
  std::vector<double> radii;
  for (const Track& track : tracks) {
    if (track.views.empty()) continue;
    const double distance =
        model.telecentric() ? 1.0 : pose_of(model, values, track.views[0].view).t.norm();
    radii.push_back(track.position_mm.head<2>().norm() * camera_of(model, values).fx / distance);
  }
  if (radii.empty()) return 100.0;
  const auto at = radii.begin() + static_cast<std::ptrdiff_t>(9 * radii.size() / 10);
  std::nth_element(radii.begin(), at, radii.end());
  return std::max(*at, 10.0);
}

}  // namespace trunnion::refine

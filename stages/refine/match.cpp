#include "stages/refine/match.h"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "core/angle.h"

namespace trunnion::refine {
namespace {

using Descriptors = Eigen::Matrix<float, Eigen::Dynamic, kDescriptorSize, Eigen::RowMajor>;

Descriptors descriptor_matrix(const ImageFeatures& features, std::size_t limit) {
  const std::size_t count = std::min(limit, features.points.size());
  Descriptors matrix(static_cast<Eigen::Index>(count), kDescriptorSize);
  for (std::size_t i = 0; i < count; ++i) {
    for (std::size_t k = 0; k < kDescriptorSize; ++k) {
      matrix(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(k)) =
          features.points[i].descriptor[k];
    }
  }
  return matrix;
}

int squared_distance(const Feature& a, const Feature& b) {
  int sum = 0;
  for (std::size_t k = 0; k < kDescriptorSize; ++k) {
    const int d = static_cast<int>(a.descriptor[k]) - static_cast<int>(b.descriptor[k]);
    sum += d * d;
  }
  return sum;
}

struct Best {
  int index = -1;
  float first = std::numeric_limits<float>::max();
  float second = std::numeric_limits<float>::max();
  void offer(int candidate, float distance) {
    if (distance < first) {
      second = first;
      first = distance;
      index = candidate;
    } else if (distance < second) {
      second = distance;
    }
  }
};

double wrapped(double angle) {
  return std::remainder(angle, 2.0 * kPi);
}

// Mutual best partners whose squared distance beats the second best by ratio^2.
std::vector<Match> mutual(const std::vector<Best>& from_a, const std::vector<Best>& from_b,
                          double ratio) {
  std::vector<Match> matches;
  const auto ratio2 = static_cast<float>(ratio * ratio);
  for (std::size_t i = 0; i < from_a.size(); ++i) {
    const Best& best = from_a[i];
    if (best.index < 0 || best.first > ratio2 * best.second) continue;
    const Best& back = from_b[static_cast<std::size_t>(best.index)];
    if (back.index != static_cast<int>(i) || back.first > ratio2 * back.second) continue;
    matches.push_back({static_cast<int>(i), best.index});
  }
  return matches;
}

// The epipolar lines of one pair and how they move with each independent direction of the rig's
// uncertainty.
struct Bands {
  Eigen::Matrix3d F;
  std::vector<Eigen::Matrix3d> moved_F;

  static Eigen::Vector3d line(const Eigen::Matrix3d& F, const Eigen::Vector3d& x) {
    const Eigen::Vector3d l = F * x;
    return l / l.head<2>().norm();
  }
};

Bands bands_of(const RigModel& model, const RigValues& values, const Eigen::MatrixXd& covariance,
               std::size_t view_a, std::size_t view_b) {
  const ParameterIndex index(model);
  if (covariance.rows() != index.size() || covariance.cols() != index.size()) {
    throw std::invalid_argument("match_guided: a covariance of another size than the rig's");
  }
  const StationModel& a = model.stations[view_a];
  const StationModel& b = model.stations[view_b];
  std::vector<int> used;
  for (int k = 0; k < 5; ++k) used.push_back(index.axis(a.axis) + k);
  if (a.ring != b.ring) {
    for (int k = 0; k < 5 && a.axis != b.axis; ++k) used.push_back(index.axis(b.axis) + k);
    for (const std::size_t ring : {a.ring, b.ring}) {
      used.push_back(index.azimuth_offset(ring));
      used.push_back(index.tilt(ring));
    }
    for (int k = 0; k < 4; ++k) used.push_back(index.line() + k);
  }
  used.push_back(index.angle(view_a));
  used.push_back(index.angle(view_b));
  used.push_back(index.log_distance());
  const auto count = static_cast<Eigen::Index>(used.size());
  Eigen::MatrixXd block(count, count);
  for (Eigen::Index r = 0; r < count; ++r) {
    for (Eigen::Index c = 0; c < count; ++c) {
      block(r, c) =
          covariance(used[static_cast<std::size_t>(r)], used[static_cast<std::size_t>(c)]);
    }
  }
  const auto fundamental = [&](const RigValues& v) {
    const Camera camera = camera_of(model, v);
    return fundamental_matrix(projection_matrix(camera, pose_of(model, v, view_a)),
                              projection_matrix(camera, pose_of(model, v, view_b)));
  };
  Bands bands;
  bands.F = fundamental(values);
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(block);
  for (Eigen::Index k = 0; k < count; ++k) {
    if (!(eigen.eigenvalues()[k] > 0)) continue;
    Eigen::VectorXd step = Eigen::VectorXd::Zero(index.size());
    for (Eigen::Index r = 0; r < count; ++r) {
      step[used[static_cast<std::size_t>(r)]] =
          std::sqrt(eigen.eigenvalues()[k]) * eigen.eigenvectors()(r, k);
    }
    Eigen::Matrix3d F = fundamental(moved(model, values, step));
    if ((F.array() * bands.F.array()).sum() < 0) F = -F;
    bands.moved_F.push_back(F);
  }
  return bands;
}

// How far the image of b is turned against that of a (clockwise): a specimen tilted on the stage
// turns in the image as the stage turns.
double roll_between(const Pose& a, const Pose& b) {
  const Eigen::Matrix3d turn = b.R * a.R.transpose();
  return std::atan2(turn(1, 0) - turn(0, 1), turn(0, 0) + turn(1, 1));
}

// Best partners in b of every feature of a, inside its band.
class BandSearch {
 public:
  // `roll`: rad, by how much b's image is turned against a's.
  BandSearch(const Bands& bands, double roll, const GuidedOptions& options)
      : bands_(bands), roll_(roll), options_(options) {}

  std::vector<Best> search(const ImageFeatures& a, const ImageFeatures& b,
                           const std::vector<Eigen::Vector2d>& at_a,
                           const std::vector<Eigen::Vector2d>& at_b) const {
    std::vector<Best> best(at_a.size());
    std::vector<Eigen::Vector3d> lines(bands_.moved_F.size());
    for (std::size_t i = 0; i < at_a.size(); ++i) {
      const Eigen::Vector3d x = at_a[i].homogeneous();
      const Eigen::Vector3d line = Bands::line(bands_.F, x);
      for (std::size_t k = 0; k < lines.size(); ++k) {
        lines[k] = Bands::line(bands_.moved_F[k], x);
        if (lines[k].head<2>().dot(line.head<2>()) < 0) lines[k] = -lines[k];
      }
      const double reach = options_.sigmas * widest(line, lines, b);
      for (std::size_t j = 0; j < at_b.size(); ++j) {
        const double distance = line[0] * at_b[j].x() + line[1] * at_b[j].y() + line[2];
        if (std::abs(distance) > reach) continue;
        if (std::abs(distance) > options_.sigmas * sigma_at(at_b[j], line, lines)) continue;
        if (!alike(a.points[i], b.points[j])) continue;
        best[i].offer(static_cast<int>(j),
                      static_cast<float>(squared_distance(a.points[i], b.points[j])));
      }
      const auto limit = static_cast<float>(options_.max_distance * options_.max_distance);
      if (best[i].first > limit) best[i].index = -1;
    }
    return best;
  }

 private:
  double sigma_at(const Eigen::Vector2d& at, const Eigen::Vector3d& line,
                  const std::vector<Eigen::Vector3d>& lines) const {
    double variance = 2.0 * options_.sigma_px * options_.sigma_px;
    for (const Eigen::Vector3d& other : lines) {
      const double d = (other - line).dot(at.homogeneous());
      variance += d * d;
    }
    return std::sqrt(variance);
  }

  // An upper bound of sigma_at over the image: distances are linear, so a corner has the largest.
  double widest(const Eigen::Vector3d& line, const std::vector<Eigen::Vector3d>& lines,
                const ImageFeatures& image) const {
    double sigma = 0;
    for (const double x : {0.0, static_cast<double>(image.width_px)}) {
      for (const double y : {0.0, static_cast<double>(image.height_px)}) {
        sigma = std::max(sigma, sigma_at({x, y}, line, lines));
      }
    }
    return sigma;
  }

  // Neighbouring stations see a detail at nearly the same size, turned as their images are.
  [[nodiscard]] bool alike(const Feature& a, const Feature& b) const {
    const float ratio = a.scale_px / b.scale_px;
    if (ratio > 1.8F || ratio < 1.0F / 1.8F) return false;
    return std::abs(wrapped(static_cast<double>(b.orientation - a.orientation) - roll_)) <
           radians(50.0);
  }

  const Bands& bands_;
  double roll_;
  const GuidedOptions& options_;
};

}  // namespace

std::vector<std::pair<std::size_t, std::size_t>> pairs_to_match(const RigModel& model,
                                                                const RigValues& values,
                                                                const PairOptions& options) {
  std::vector<std::pair<std::size_t, std::size_t>> pairs;
  const std::size_t count = model.stations.size();
  const auto angle = [&](std::size_t v) { return model.stations[v].stage_angle; };
  for (std::size_t a = 0; a < count; ++a) {
    std::vector<std::pair<double, std::size_t>> ahead;  // counter-clockwise neighbours in the ring
    for (std::size_t b = 0; b < count; ++b) {
      if (b == a || model.stations[b].ring != model.stations[a].ring) continue;
      const double turn = wrapped(angle(b) - angle(a));
      if (turn > 1e-9 && turn < options.max_turn) ahead.emplace_back(turn, b);
    }
    std::sort(ahead.begin(), ahead.end());
    ahead.resize(std::min(ahead.size(), static_cast<std::size_t>(options.max_neighbours)));
    for (const auto& [turn, b] : ahead) pairs.emplace_back(std::min(a, b), std::max(a, b));
    for (std::size_t b = a + 1; options.in_order && b < std::min(a + 3, count); ++b) {
      if (model.stations[b].ring == model.stations[a].ring) pairs.emplace_back(a, b);
    }
  }
  for (std::size_t a = 0; a < count; ++a) {
    const Eigen::Vector3d look_a = pose_of(model, values, a).R.row(2);
    std::vector<std::pair<double, std::size_t>> near;
    for (std::size_t b = 0; b < count; ++b) {
      if (model.stations[b].ring <= model.stations[a].ring) continue;
      const Eigen::Vector3d look_b = pose_of(model, values, b).R.row(2);
      const double between = std::acos(std::clamp(look_a.dot(look_b), -1.0, 1.0));
      if (between < options.max_between_rings) near.emplace_back(between, b);
    }
    std::sort(near.begin(), near.end());
    near.resize(std::min<std::size_t>(near.size(), 2));
    for (const auto& [between, b] : near) pairs.emplace_back(a, b);
  }
  std::sort(pairs.begin(), pairs.end());
  pairs.erase(std::unique(pairs.begin(), pairs.end()), pairs.end());
  return pairs;
}

Eigen::Vector2d ideal_position(const Eigen::Vector2d& pixel, const Camera& camera) {
  if (!camera.distorts()) return pixel;
  const Eigen::Vector2d n = normalise(camera, pixel);
  return {camera.fx * n.x() + camera.cx, camera.fy * n.y() + camera.cy};
}

std::vector<Eigen::Vector2d> ideal_positions(const ImageFeatures& features, const Camera& camera) {
  std::vector<Eigen::Vector2d> positions;
  positions.reserve(features.points.size());
  for (const Feature& point : features.points) {
    positions.push_back(ideal_position({point.x_px, point.y_px}, camera));
  }
  return positions;
}

std::vector<Match> match_free(const ImageFeatures& a, const ImageFeatures& b, std::size_t limit,
                              double ratio) {
  if (a.points.empty() || b.points.empty()) return {};
  const Descriptors matrix_a = descriptor_matrix(a, limit);
  const Descriptors matrix_b = descriptor_matrix(b, limit);
  const Eigen::VectorXf norms_a = matrix_a.rowwise().squaredNorm();
  const Eigen::VectorXf norms_b = matrix_b.rowwise().squaredNorm();
  const Eigen::MatrixXf product = matrix_b * matrix_a.transpose();
  std::vector<Best> from_a(static_cast<std::size_t>(matrix_a.rows()));
  std::vector<Best> from_b(static_cast<std::size_t>(matrix_b.rows()));
  for (Eigen::Index i = 0; i < product.cols(); ++i) {
    for (Eigen::Index j = 0; j < product.rows(); ++j) {
      const float distance = std::max(0.0F, norms_a[i] + norms_b[j] - 2.0F * product(j, i));
      from_a[static_cast<std::size_t>(i)].offer(static_cast<int>(j), distance);
      from_b[static_cast<std::size_t>(j)].offer(static_cast<int>(i), distance);
    }
  }
  return mutual(from_a, from_b, ratio);
}

std::vector<Match> match_guided(const RigModel& model, const RigValues& values,
                                const Eigen::MatrixXd& covariance, const MatchedView& a,
                                const MatchedView& b, const GuidedOptions& options) {
  const Bands forward = bands_of(model, values, covariance, a.view, b.view);
  Bands backward;
  backward.F = forward.F.transpose();
  for (const Eigen::Matrix3d& F : forward.moved_F) backward.moved_F.push_back(F.transpose());
  const double roll = roll_between(pose_of(model, values, a.view), pose_of(model, values, b.view));
  const auto from_a =
      BandSearch(forward, roll, options).search(a.features, b.features, a.positions, b.positions);
  const auto from_b =
      BandSearch(backward, -roll, options).search(b.features, a.features, b.positions, a.positions);
  return mutual(from_a, from_b, options.ratio);
}

}  // namespace trunnion::refine

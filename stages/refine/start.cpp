#include "stages/refine/start.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <utility>

#include "stages/refine/priors.h"

namespace trunnion::refine {
namespace {

// The parameters that place one pair of views as blocks, each named once.
class PairParameters {
 public:
  PairParameters(const RigModel& model, std::size_t a, std::size_t b)
      : model_(model), views_{a, b} {
    for (std::size_t side = 0; side < 2; ++side) {
      const StationModel& station = model.stations[views_[side]];
      Places& places = places_[side];
      places.axis = place({Kind::axis, station.axis}, 5);
      places.azimuth_offset = place({Kind::azimuth_offset, station.ring}, 1);
      places.angle = place({Kind::angle, views_[side]}, 1);
      places.mount = place({Kind::mount, 0}, 6);
      if (!model.second.exists) continue;
      places.tilt = place({Kind::tilt, station.ring}, 1);
      places.line = place({Kind::line, 0}, 4);
    }
    distance_ = place({Kind::distance, 0}, 1);
  }

  [[nodiscard]] std::vector<double*> blocks(RigValues& values) const {
    std::vector<double*> list;
    for (const auto& [kind, which] : keys_) {
      switch (kind) {
        case Kind::axis:
          list.push_back(values.axis[which].data());
          break;
        case Kind::azimuth_offset:
          list.push_back(&values.azimuth_offset[which]);
          break;
        case Kind::angle:
          list.push_back(&values.angle[which]);
          break;
        case Kind::tilt:
          list.push_back(&values.tilt[which]);
          break;
        case Kind::line:
          list.push_back(values.line.data());
          break;
        case Kind::mount:
          list.push_back(values.mount.data());
          break;
        case Kind::distance:
          list.push_back(&values.log_distance);
          break;
      }
    }
    return list;
  }
  [[nodiscard]] const std::vector<int>& sizes() const { return sizes_; }

  [[nodiscard]] Eigen::Matrix3d fundamental(double const* const* p) const {
    Camera camera = model_.camera;
    camera.fx *= std::exp(*p[distance_]);
    camera.fy *= std::exp(*p[distance_]);
    return fundamental_matrix(projection_matrix(camera, pose(0, p)),
                              projection_matrix(camera, pose(1, p)));
  }

 private:
  enum class Kind { axis, azimuth_offset, angle, tilt, line, mount, distance };
  using Key = std::pair<Kind, std::size_t>;
  struct Places {
    std::size_t axis = 0, azimuth_offset = 0, angle = 0, mount = 0, tilt = 0, line = 0;
  };

  std::size_t place(const Key& key, int size) {
    const auto found = std::find(keys_.begin(), keys_.end(), key);
    if (found != keys_.end()) return static_cast<std::size_t>(found - keys_.begin());
    keys_.push_back(key);
    sizes_.push_back(size);
    return keys_.size() - 1;
  }
  [[nodiscard]] Pose pose(std::size_t side, double const* const* p) const {
    const StationModel& station = model_.stations[views_[side]];
    const Places& at = places_[side];
    const bool tilts = model_.second.exists;
    const StationSteps<double> steps{p[at.axis],
                                     station.stage_angle + *p[at.azimuth_offset] + *p[at.angle],
                                     tilts ? *p[at.tilt] : 0.0, tilts ? p[at.line] : nullptr,
                                     station.bumped ? p[at.mount] : nullptr};
    Pose pose;
    rig_pose<double>(model_, station, steps, pose.R, pose.t);
    return pose;
  }

  const RigModel& model_;
  std::array<std::size_t, 2> views_;
  std::array<Places, 2> places_;
  std::vector<Key> keys_;
  std::vector<int> sizes_;
  std::size_t distance_ = 0;
};

// What the Sampson distance of one correspondence, product over scale, is made of.
struct Epipolar {
  Epipolar(const Eigen::Matrix3d& F, const Eigen::Vector2d& at_a, const Eigen::Vector2d& at_b)
      : a(at_a.homogeneous()), b(at_b.homogeneous()), line_a(F.transpose() * b), line_b(F * a) {
    product = b.dot(line_b);
    scale = std::sqrt(line_b.head<2>().squaredNorm() + line_a.head<2>().squaredNorm());
  }

  // Two views from the same place, of a copy for instance, have F = 0, or so near to it that its
  // square has no digits left, and say nothing.
  [[nodiscard]] bool empty() const { return !(scale > 1e-100); }
  [[nodiscard]] double distance() const { return empty() ? 0.0 : product / scale; }
  // Of the distance by F.
  [[nodiscard]] Eigen::Matrix3d slope() const {
    if (empty()) return Eigen::Matrix3d::Zero();
    const Eigen::Vector3d moved_a(line_a.x(), line_a.y(), 0.0);
    const Eigen::Vector3d moved_b(line_b.x(), line_b.y(), 0.0);
    return (b * a.transpose() -
            product / (scale * scale) * (moved_b * a.transpose() + b * moved_a.transpose())) /
           scale;
  }

  Eigen::Vector3d a, b;
  Eigen::Vector3d line_a, line_b;
  double product = 0;
  double scale = 1;
};

// Sampson distances of one pair, each passed through the square root of a Cauchy loss, so that one
// residual block may hold many matches. The derivative goes through F, which is cheap to move.
class PairCost : public ceres::CostFunction {
 public:
  PairCost(PairParameters parameters, std::vector<Eigen::Vector2d> a,
           std::vector<Eigen::Vector2d> b, double sigma_px, double width)
      : parameters_(std::move(parameters)),
        a_(std::move(a)),
        b_(std::move(b)),
        sigma_px_(sigma_px),
        width_(width) {
    set_num_residuals(static_cast<int>(a_.size()));
    for (const int size : parameters_.sizes()) mutable_parameter_block_sizes()->push_back(size);
  }

  bool Evaluate(double const* const* parameters, double* residuals,
                double** jacobians) const override {
    const Eigen::Matrix3d F = parameters_.fundamental(parameters);
    if (jacobians == nullptr) {
      for (std::size_t i = 0; i < a_.size(); ++i) residuals[i] = residual(F, i, nullptr);
      return true;
    }
    ByF by_F(9, static_cast<Eigen::Index>(a_.size()));
    for (std::size_t i = 0; i < a_.size(); ++i) {
      residuals[i] = residual(F, i, by_F.col(static_cast<Eigen::Index>(i)).data());
    }
    const std::vector<int>& sizes = parameters_.sizes();
    std::vector<std::vector<double>> moved(sizes.size());
    std::vector<const double*> pointers(sizes.size());
    for (std::size_t block = 0; block < sizes.size(); ++block) {
      moved[block].assign(parameters[block], parameters[block] + sizes[block]);
      pointers[block] = moved[block].data();
    }
    for (std::size_t block = 0; block < sizes.size(); ++block) {
      if (jacobians[block] == nullptr) continue;
      const auto size = static_cast<std::size_t>(sizes[block]);
      for (std::size_t k = 0; k < size; ++k) {
        constexpr double kStep = 1e-6;
        moved[block][k] = parameters[block][k] + kStep;
        const Eigen::Matrix3d plus = parameters_.fundamental(pointers.data());
        moved[block][k] = parameters[block][k] - kStep;
        const Eigen::Matrix3d minus = parameters_.fundamental(pointers.data());
        moved[block][k] = parameters[block][k];
        const Eigen::Matrix3d slope = (plus - minus) / (2.0 * kStep);
        const Eigen::Map<const Eigen::Matrix<double, 9, 1>> by_parameter(slope.data());
        for (std::size_t i = 0; i < a_.size(); ++i) {
          jacobians[block][i * size + k] = by_F.col(static_cast<Eigen::Index>(i)).dot(by_parameter);
        }
      }
    }
    return true;
  }

 private:
  using ByF = Eigen::Matrix<double, 9, Eigen::Dynamic>;  // derivatives by F's columns, a match each

  // Of match i; its derivatives by F where they are wanted.
  [[nodiscard]] double residual(const Eigen::Matrix3d& F, std::size_t i, double* by_F) const {
    const Epipolar lines(F, a_[i], b_[i]);
    const double r = lines.distance() / sigma_px_;
    const double square = r * r / (width_ * width_);
    const double robust = width_ * std::sqrt(std::log1p(square));
    if (by_F != nullptr) {
      // Of robust by r; 1 in the middle.
      const double by_r = square < 1e-20 ? 1.0 : std::abs(r) / (robust * (1.0 + square));
      Eigen::Map<Eigen::Matrix3d> out(by_F);
      out = by_r / sigma_px_ * lines.slope();
    }
    return std::copysign(robust, r);
  }

  PairParameters parameters_;
  std::vector<Eigen::Vector2d> a_;
  std::vector<Eigen::Vector2d> b_;
  double sigma_px_;
  double width_;
};

void add_pairs(ceres::Problem& problem, const RigModel& model, RigValues& values,
               const std::vector<PairMatches>& pairs,
               const std::vector<std::vector<Eigen::Vector2d>>& positions, double sigma_px,
               double width) {
  for (const PairMatches& pair : pairs) {
    if (pair.matches.empty()) continue;
    std::vector<Eigen::Vector2d> a;
    std::vector<Eigen::Vector2d> b;
    for (const Match& match : pair.matches) {
      a.push_back(positions[pair.view_a][static_cast<std::size_t>(match.a)]);
      b.push_back(positions[pair.view_b][static_cast<std::size_t>(match.b)]);
    }
    const PairParameters parameters(model, pair.view_a, pair.view_b);
    problem.AddResidualBlock(new PairCost(parameters, std::move(a), std::move(b), sigma_px, width),
                             nullptr, parameters.blocks(values));
  }
}

}  // namespace

std::vector<PairMatches> thinned(const std::vector<PairMatches>& pairs, std::size_t most) {
  std::vector<PairMatches> few;
  few.reserve(pairs.size());
  for (const PairMatches& pair : pairs) {
    const std::size_t count = pair.matches.size();
    PairMatches& kept = few.emplace_back(PairMatches{pair.view_a, pair.view_b, {}});
    const std::size_t wanted = std::min(count, most);
    for (std::size_t k = 0; k < wanted; ++k)
      kept.matches.push_back(pair.matches[k * count / wanted]);
  }
  return few;
}

double sampson_distance(const Eigen::Matrix3d& F, const Eigen::Vector2d& a,
                        const Eigen::Vector2d& b) {
  const Epipolar lines(F, a, b);
  return lines.distance();
}

Eigen::Matrix3d fundamental_of(const RigModel& model, const RigValues& values, std::size_t a,
                               std::size_t b) {
  const Camera camera = camera_of(model, values);
  return fundamental_matrix(projection_matrix(camera, pose_of(model, values, a)),
                            projection_matrix(camera, pose_of(model, values, b)));
}

StartResult start_from_matches(const RigModel& model, const RigValues& values,
                               const std::vector<PairMatches>& pairs,
                               const std::vector<std::vector<Eigen::Vector2d>>& positions,
                               const StartOptions& options) {
  StartResult result;
  result.values = values;
  for (const double width : options.widths) {
    ceres::Problem::Options ownership;
    ownership.loss_function_ownership = ceres::DO_NOT_TAKE_OWNERSHIP;
    ceres::Problem problem(ownership);
    const bool finest = width == options.widths.back();
    add_rig(problem, model, result.values,
            {.angles = options.free_angles && finest, .mount = options.free_mount});
    add_pairs(problem, model, result.values, pairs, positions, options.sigma_px, width);
    ceres::Solver::Options solver;
    // Sparse: a dense Jacobian of 1,000 stations took gigabytes. Eigen's, since its sums don't
    // depend on how many threads a BLAS takes.
    solver.linear_solver_type = ceres::SPARSE_NORMAL_CHOLESKY;
    solver.sparse_linear_algebra_library_type = ceres::EIGEN_SPARSE;
    solver.max_num_iterations = 60;
    solver.num_threads = 1;  // sums must not depend on the number of threads
    solver.logging_type = ceres::SILENT;
    ceres::Solver::Summary summary;
    ceres::Solve(solver, &problem, &summary);
    result.cost = summary.final_cost;
  }
  int inliers = 0;
  for (const PairMatches& pair : pairs) {
    const Eigen::Matrix3d F = fundamental_of(model, result.values, pair.view_a, pair.view_b);
    for (const Match& match : pair.matches) {
      const double d =
          sampson_distance(F, positions[pair.view_a][static_cast<std::size_t>(match.a)],
                           positions[pair.view_b][static_cast<std::size_t>(match.b)]);
      inliers += std::abs(d) < 3.0 * options.sigma_px ? 1 : 0;
      ++result.matches;
    }
  }
  result.inlier_fraction = result.matches > 0 ? static_cast<double>(inliers) / result.matches : 0.0;
  return result;
}

}  // namespace trunnion::refine

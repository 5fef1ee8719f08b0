#include "tests/bench/head_start/adjustment.h"

#include <ceres/ceres.h>
#include <ceres/rotation.h>

#include <Eigen/Geometry>
#include <Eigen/LU>
#include <Eigen/SVD>
#include <algorithm>
#include <chrono>
#include <cmath>
#include <opencv2/calib3d.hpp>

#include "tests/bench/head_start/matching.h"

namespace head_start {
namespace {

using Clock = std::chrono::steady_clock;
constexpr double kGate_px = 3.0;
constexpr double kLeastAngle = 2.0 * 3.14159265358979323846 / 180.0;

struct Reprojection {
  cv::Matx33d K;
  Eigen::Vector2d seen;
  template <typename T>
  bool operator()(const T* pose, const T* point, T* residual) const {
    T x[3];
    ceres::AngleAxisRotatePoint(pose, point, x);
    for (int i = 0; i < 3; ++i) x[i] += pose[3 + i];
    residual[0] = K(0, 0) * x[0] / x[2] + K(0, 2) - seen.x();
    residual[1] = K(1, 1) * x[1] / x[2] + K(1, 2) - seen.y();
    return true;
  }
};

struct PosePrior {
  std::array<double, 6> mean;
  Eigen::Vector3d centre;
  Eigen::Vector<double, 6> sigma;
  template <typename T>
  bool operator()(const T* pose, T* residual) const {
    const T back[3] = {-pose[0], -pose[1], -pose[2]};
    T moved[3];
    ceres::AngleAxisRotatePoint(back, pose + 3, moved);
    for (int i = 0; i < 3; ++i) {
      residual[i] = (pose[i] - mean[static_cast<std::size_t>(i)]) / sigma[i];
      residual[3 + i] = (-moved[i] - centre[i]) / sigma[3 + i];
    }
    return true;
  }
};

std::array<double, 6> vector_of(const Pose& pose) {
  std::array<double, 6> v{};
  ceres::RotationMatrixToAngleAxis(pose.R.data(), v.data());  // column-major both
  for (int i = 0; i < 3; ++i) v[static_cast<std::size_t>(3 + i)] = pose.t[i];
  return v;
}

Pose pose_of(const std::array<double, 6>& v) {
  Pose pose;
  ceres::AngleAxisToRotationMatrix(v.data(), pose.R.data());
  pose.t = {v[3], v[4], v[5]};
  return pose;
}

class Reconstruction {
 public:
  Reconstruction(const Set& set, std::vector<Track> tracks, bool use_priors)
      : set_(set),
        tracks_(std::move(tracks)),
        use_priors_(use_priors),
        poses_(set.views.size()),
        placed_(set.views.size(), false),
        points_(tracks_.size()),
        sound_(tracks_.size(), false) {}

  void place(std::size_t view, const Pose& pose) {
    poses_[view] = vector_of(pose);
    placed_[view] = true;
  }
  [[nodiscard]] bool placed(std::size_t view) const { return placed_[view]; }

  // Points of every track from the views placed; `gate_px` is how far they may land off.
  void triangulate(double gate_px) {
    for (std::size_t i = 0; i < tracks_.size(); ++i) {
      if (!sound_[i]) sound_[i] = intersect(i, gate_px);
    }
  }

  // Least squares over all; then points that land off are dropped.
  void adjust() {
    ceres::Problem problem;
    bool any = false;
    for (std::size_t i = 0; i < tracks_.size(); ++i) {
      if (!sound_[i]) continue;
      for (const Observation& observation : tracks_[i]) {
        if (!placed_[observation.view]) continue;
        any = true;
        problem.AddResidualBlock(new ceres::AutoDiffCostFunction<Reprojection, 2, 6, 3>(
                                     new Reprojection{set_.K, place_of(observation)}),
                                 new ceres::HuberLoss(1.0), poses_[observation.view].data(),
                                 points_[i].data());
      }
    }
    if (!any) return;
    bool first = true;
    for (std::size_t v = 0; v < placed_.size(); ++v) {
      if (!placed_[v] || !problem.HasParameterBlock(poses_[v].data())) continue;
      if (use_priors_) {
        problem.AddResidualBlock(
            new ceres::AutoDiffCostFunction<PosePrior, 6, 6>(new PosePrior{
                vector_of(set_.views[v].prior),
                -set_.views[v].prior.R.transpose() * set_.views[v].prior.t, set_.views[v].sigma}),
            nullptr, poses_[v].data());
      } else if (first) {
        problem.SetParameterBlockConstant(poses_[v].data());
        first = false;
      }
    }
    ceres::Solver::Options options;
    options.linear_solver_type = ceres::SPARSE_SCHUR;
    options.max_num_iterations = 100;
    options.num_threads = 2;
    options.logging_type = ceres::SILENT;
    ceres::Solver::Summary summary;
    ceres::Solve(options, &problem, &summary);
    iterations_ += summary.num_successful_steps + summary.num_unsuccessful_steps;
    for (std::size_t i = 0; i < tracks_.size(); ++i) {
      if (sound_[i] && worst_px(i) > kGate_px) sound_[i] = false;
    }
  }

  // The next view by the number of known points it sees; false where none sees enough.
  bool register_next() {
    std::size_t best = 0;
    std::size_t most = 0;
    std::vector<std::size_t> count(placed_.size(), 0);
    for (std::size_t i = 0; i < tracks_.size(); ++i) {
      if (!sound_[i]) continue;
      for (const Observation& observation : tracks_[i]) ++count[observation.view];
    }
    for (std::size_t v = 0; v < placed_.size(); ++v) {
      if (!placed_[v] && !given_up_.contains(v) && count[v] > most) {
        most = count[v];
        best = v;
      }
    }
    if (most < 12) return false;
    std::vector<cv::Point3d> world;
    std::vector<cv::Point2d> image;
    for (std::size_t i = 0; i < tracks_.size(); ++i) {
      if (!sound_[i]) continue;
      for (const Observation& observation : tracks_[i]) {
        if (observation.view != best) continue;
        world.emplace_back(points_[i].x(), points_[i].y(), points_[i].z());
        image.emplace_back(place_of(observation).x(), place_of(observation).y());
      }
    }
    cv::Mat r, t, inside;
    const bool found = cv::solvePnPRansac(world, image, cv::Mat(set_.K), cv::noArray(), r, t, false,
                                          500, 4.0F, 0.999, inside, cv::SOLVEPNP_SQPNP);
    if (!found || inside.rows < 12) {
      given_up_[best] = true;
      return true;
    }
    poses_[best] = {r.at<double>(0), r.at<double>(1), r.at<double>(2),
                    t.at<double>(0), t.at<double>(1), t.at<double>(2)};
    placed_[best] = true;
    given_up_.clear();
    return true;
  }

  void report(Outcome& outcome) const {
    outcome.poses.assign(placed_.size(), std::nullopt);
    for (std::size_t v = 0; v < placed_.size(); ++v) {
      if (placed_[v]) outcome.poses[v] = pose_of(poses_[v]);
    }
    double sum = 0;
    int count = 0;
    for (std::size_t i = 0; i < tracks_.size(); ++i) {
      if (!sound_[i]) continue;
      int seen = 0;
      for (const Observation& observation : tracks_[i]) {
        if (!placed_[observation.view]) continue;
        ++seen;
        sum += (project(observation.view, points_[i]) - place_of(observation)).squaredNorm();
        ++count;
      }
      outcome.points += seen >= 3 ? 1 : 0;
    }
    outcome.rms_px = count > 0 ? std::sqrt(sum / count) : 0.0;
    outcome.iterations = iterations_;
  }

 private:
  [[nodiscard]] Eigen::Vector2d place_of(const Observation& observation) const {
    const cv::Point2f& p =
        set_.views[observation.view].keys[static_cast<std::size_t>(observation.feature)].pt;
    return {p.x, p.y};
  }
  [[nodiscard]] Eigen::Vector2d project(std::size_t view, const Eigen::Vector3d& point) const {
    Eigen::Vector2d pixel;
    Reprojection{set_.K, Eigen::Vector2d::Zero()}(poses_[view].data(), point.data(), pixel.data());
    return pixel;
  }
  [[nodiscard]] double worst_px(std::size_t i) const {
    double worst = 0;
    for (const Observation& observation : tracks_[i]) {
      if (!placed_[observation.view]) continue;
      const double off = (project(observation.view, points_[i]) - place_of(observation)).norm();
      worst = std::max(worst, std::isfinite(off) ? off : 1e9);
    }
    return worst;
  }

  // Direct linear intersection; the rays must meet at two degrees or more.
  bool intersect(std::size_t i, double gate_px) {
    std::vector<Pose> poses;
    std::vector<Eigen::Vector2d> rays;
    for (const Observation& observation : tracks_[i]) {
      if (!placed_[observation.view]) continue;
      poses.push_back(pose_of(poses_[observation.view]));
      const Eigen::Vector2d p = place_of(observation);
      rays.emplace_back((p.x() - set_.K(0, 2)) / set_.K(0, 0),
                        (p.y() - set_.K(1, 2)) / set_.K(1, 1));
    }
    if (poses.size() < 2) return false;
    Eigen::MatrixXd A(2 * static_cast<Eigen::Index>(poses.size()), 3);
    Eigen::VectorXd b(A.rows());
    for (std::size_t k = 0; k < poses.size(); ++k) {
      for (int c = 0; c < 2; ++c) {
        const auto row = 2 * static_cast<Eigen::Index>(k) + c;
        A.row(row) = poses[k].R.row(c) - rays[k][c] * poses[k].R.row(2);
        b[row] = rays[k][c] * poses[k].t.z() - poses[k].t[c];
      }
    }
    points_[i] = A.jacobiSvd(Eigen::ComputeThinU | Eigen::ComputeThinV).solve(b);
    double widest = 0;
    for (const Pose& one : poses) {
      for (const Pose& other : poses) {
        const Eigen::Vector3d u = (points_[i] + one.R.transpose() * one.t).normalized();
        const Eigen::Vector3d v = (points_[i] + other.R.transpose() * other.t).normalized();
        widest = std::max(widest, std::atan2(u.cross(v).norm(), u.dot(v)));
      }
      if ((one.R * points_[i] + one.t).z() <= 0) return false;
    }
    return widest >= kLeastAngle && worst_px(i) <= gate_px;
  }

  const Set& set_;
  std::vector<Track> tracks_;
  bool use_priors_;
  std::vector<std::array<double, 6>> poses_;
  std::vector<bool> placed_;
  std::vector<Eigen::Vector3d> points_;
  std::vector<bool> sound_;
  std::map<std::size_t, bool> given_up_;
  int iterations_ = 0;
};

double seconds_since(Clock::time_point begun) {
  return std::chrono::duration<double>(Clock::now() - begun).count();
}

// The pair with most matches whose rays meet at a good angle, and its relative pose.
struct Start {
  const Pair* pair = nullptr;
  Pose second;
};
Start best_start(const Set& set, const std::vector<Pair>& pairs) {
  Start best;
  double most = 0;
  for (const Pair& pair : pairs) {
    std::vector<cv::Point2f> a, b;
    for (const auto& [i, j] : pair.matches) {
      a.push_back(set.views[pair.a].keys[static_cast<std::size_t>(i)].pt);
      b.push_back(set.views[pair.b].keys[static_cast<std::size_t>(j)].pt);
    }
    cv::Mat inside, R, t, points;
    const cv::Mat E = cv::findEssentialMat(a, b, cv::Mat(set.K), cv::RANSAC, 0.999, 1.5, inside);
    if (E.rows != 3) continue;
    const int good = cv::recoverPose(E, a, b, cv::Mat(set.K), R, t, 1e4, inside, points);
    Pose second;
    for (int i = 0; i < 3; ++i) {
      second.t[i] = t.at<double>(i);
      for (int j = 0; j < 3; ++j) second.R(i, j) = R.at<double>(i, j);
    }
    // Turned by 5 degrees or more: less shows no depth.
    const double angle = Eigen::AngleAxisd(second.R).angle();
    const double score = good * std::min(1.0, angle / (5.0 * 3.14159265358979323846 / 180.0));
    if (score > most) {
      most = score;
      best = {&pair, second};
    }
  }
  return best;
}

}  // namespace

Outcome solve_plain(const Set& set) {
  Outcome outcome;
  auto begun = Clock::now();
  const std::vector<Pair> pairs = match_all(set, &outcome.pairs_tried);
  outcome.matching_seconds = seconds_since(begun);
  begun = Clock::now();
  Reconstruction model(set, tracks_of(set, pairs), false);
  const Start start = best_start(set, pairs);
  if (start.pair != nullptr) {
    model.place(start.pair->a, Pose{});
    model.place(start.pair->b, start.second);
    model.triangulate(4.0);
    model.adjust();
    for (int round = 1; model.register_next(); ++round) {
      model.triangulate(4.0);
      if (round % 3 == 0) model.adjust();
    }
  }
  for (int round = 0; round < 3; ++round) {
    model.triangulate(4.0);
    model.adjust();
  }
  outcome.solving_seconds = seconds_since(begun);
  model.report(outcome);
  return outcome;
}

Outcome solve_with_priors(const Set& set) {
  Outcome outcome;
  auto begun = Clock::now();
  const std::vector<Pair> pairs = match_guided(set, &outcome.pairs_tried);
  outcome.matching_seconds = seconds_since(begun);
  begun = Clock::now();
  Reconstruction model(set, tracks_of(set, pairs), true);
  for (std::size_t v = 0; v < set.views.size(); ++v) model.place(v, set.views[v].prior);
  // Wide at first: the priors may be pixels off.
  for (const double gate_px : {20.0, 6.0, 4.0}) {
    model.triangulate(gate_px);
    model.adjust();
  }
  outcome.solving_seconds = seconds_since(begun);
  model.report(outcome);
  return outcome;
}

}  // namespace head_start

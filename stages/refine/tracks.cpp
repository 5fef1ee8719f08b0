#include "stages/refine/tracks.h"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>

#include "core/disjoint_sets.h"

namespace trunnion::refine {
namespace {

Eigen::Vector2d reproject(const Projection34& P, const Eigen::Vector3d& x) {
  return (P * x.homogeneous()).hnormalized();
}

// The eigenvector of the least eigenvalue of A^T A, which is ten times faster than the singular
// vectors of A; polishing follows.
Eigen::Vector3d linear_position(const Track& track, const std::vector<Projection34>& P) {
  Eigen::Matrix4d normal = Eigen::Matrix4d::Zero();
  for (const TrackView& seen : track.views) {
    const Projection34& p = P[seen.view];
    for (int k = 0; k < 2; ++k) {
      const Eigen::Vector4d row = (seen.at_px[k] * p.row(2) - p.row(k)).normalized();
      normal += row * row.transpose();
    }
  }
  const Eigen::Vector4d x =
      Eigen::SelfAdjointEigenSolver<Eigen::Matrix4d>(normal).eigenvectors().col(0);
  return x.hnormalized();
}

// Least squares in the image from there.
Eigen::Vector3d polished(const Track& track, const std::vector<Projection34>& P,
                         Eigen::Vector3d x) {
  for (int iteration = 0; iteration < 4; ++iteration) {
    Eigen::Matrix3d H = Eigen::Matrix3d::Zero();
    Eigen::Vector3d g = Eigen::Vector3d::Zero();
    for (const TrackView& seen : track.views) {
      const Projection34& p = P[seen.view];
      const Eigen::Vector3d h = p * x.homogeneous();
      const Eigen::Vector2d r = h.hnormalized() - seen.at_px;
      Eigen::Matrix<double, 2, 3> J;
      for (int k = 0; k < 2; ++k) {
        J.row(k) = (p.row(k).head<3>() - h[k] / h[2] * p.row(2).head<3>()) / h[2];
      }
      H += J.transpose() * J;
      g += J.transpose() * r;
    }
    const Eigen::Vector3d step = H.ldlt().solve(g);
    if (!step.allFinite()) return x;
    x -= step;
  }
  return x;
}

// The largest angle between two rays to the point.
double widest_angle(const Track& track, const std::vector<Eigen::Vector3d>& directions) {
  double smallest = 1.0;
  for (std::size_t i = 0; i < track.views.size(); ++i) {
    for (std::size_t j = i + 1; j < track.views.size(); ++j) {
      smallest =
          std::min(smallest, directions[track.views[i].view].dot(directions[track.views[j].view]));
    }
  }
  return std::acos(std::clamp(smallest, -1.0, 1.0));
}

// Positions one track; false where nothing consistent is left of it.
bool position(Track& track, const std::vector<Projection34>& P, const std::vector<Pose>& poses,
              bool telecentric, double max_residual_px) {
  while (track.views.size() >= 2) {
    track.position_mm = polished(track, P, linear_position(track, P));
    if (!track.position_mm.allFinite()) return false;
    double worst = 0;
    std::size_t which = 0;
    for (std::size_t i = 0; i < track.views.size(); ++i) {
      const TrackView& seen = track.views[i];
      const bool behind = !telecentric && (poses[seen.view] * track.position_mm).z() <= 0;
      const double r =
          behind ? 1e9 : (reproject(P[seen.view], track.position_mm) - seen.at_px).norm();
      if (!(r <= worst)) {
        worst = r;
        which = i;
      }
    }
    if (worst <= max_residual_px) return true;
    track.views.erase(track.views.begin() + static_cast<std::ptrdiff_t>(which));
  }
  return false;
}

}  // namespace

std::vector<Track> build_tracks(const std::vector<PairMatches>& pairs,
                                const std::vector<std::vector<Eigen::Vector2d>>& positions) {
  std::vector<std::size_t> first(positions.size() + 1, 0);
  for (std::size_t v = 0; v < positions.size(); ++v) first[v + 1] = first[v] + positions[v].size();
  DisjointSets sets(first.back());
  std::vector<bool> matched(first.back(), false);
  for (const PairMatches& pair : pairs) {
    for (const Match& match : pair.matches) {
      const std::size_t a = first[pair.view_a] + static_cast<std::size_t>(match.a);
      const std::size_t b = first[pair.view_b] + static_cast<std::size_t>(match.b);
      matched[a] = matched[b] = true;
      sets.join(a, b);
    }
  }
  std::vector<int> track_of(first.back(), -1);
  std::vector<Track> tracks;
  for (std::size_t v = 0; v < positions.size(); ++v) {
    for (std::size_t k = 0; k < positions[v].size(); ++k) {
      if (!matched[first[v] + k]) continue;
      const std::size_t root = sets.find(first[v] + k);
      if (track_of[root] < 0) {
        track_of[root] = static_cast<int>(tracks.size());
        tracks.emplace_back();
      }
      tracks[static_cast<std::size_t>(track_of[root])].views.push_back(
          {v, static_cast<int>(k), positions[v][k]});
    }
  }
  std::erase_if(tracks, [](const Track& track) {
    for (std::size_t i = 1; i < track.views.size(); ++i) {
      if (track.views[i].view == track.views[i - 1].view) return true;
    }
    return track.views.size() < 2;
  });
  return tracks;
}

std::vector<Track> triangulate(std::vector<Track> tracks, const RigModel& model,
                               const RigValues& values, const TriangulateOptions& options) {
  const Camera camera = camera_of(model, values);
  std::vector<Projection34> P;
  std::vector<Pose> poses;
  std::vector<Eigen::Vector3d> directions;
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    poses.push_back(pose_of(model, values, v));
    P.push_back(projection_matrix(camera, poses.back()));
    directions.emplace_back(poses.back().R.row(2));
  }
  std::erase_if(tracks, [&](Track& track) {
    return !position(track, P, poses, model.telecentric(), options.max_residual_px) ||
           widest_angle(track, directions) < options.min_angle;
  });
  return tracks;
}

}  // namespace trunnion::refine

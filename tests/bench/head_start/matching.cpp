#include "tests/bench/head_start/matching.h"

#include <Eigen/LU>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <opencv2/calib3d.hpp>
#include <opencv2/features2d.hpp>
#include <set>

namespace head_start {
namespace {

constexpr double kRatio = 0.8;
constexpr std::size_t kFewest = 20;

std::map<int, int> best_of(const cv::Mat& from, const cv::Mat& to) {
  std::vector<std::vector<cv::DMatch>> found;
  cv::BFMatcher(cv::NORM_L2).knnMatch(from, to, found, 2);
  std::map<int, int> best;
  for (const auto& two : found) {
    if (two.size() == 2 && two[0].distance < kRatio * static_cast<double>(two[1].distance)) {
      best[two[0].queryIdx] = two[0].trainIdx;
    }
  }
  return best;
}

void keep_essential(const Set& set, Pair& pair) {
  std::vector<cv::Point2f> a, b;
  for (const auto& [i, j] : pair.matches) {
    a.push_back(set.views[pair.a].keys[static_cast<std::size_t>(i)].pt);
    b.push_back(set.views[pair.b].keys[static_cast<std::size_t>(j)].pt);
  }
  cv::Mat inside;
  cv::findEssentialMat(a, b, cv::Mat(set.K), cv::RANSAC, 0.999, 1.5, inside);
  std::vector<std::pair<int, int>> kept;
  for (std::size_t i = 0; i < pair.matches.size(); ++i) {
    if (inside.at<uchar>(static_cast<int>(i)) != 0) kept.push_back(pair.matches[i]);
  }
  pair.matches = std::move(kept);
}

Eigen::Matrix3d fundamental(const Set& set, const Pose& a, const Pose& b) {
  const Eigen::Matrix3d R = b.R * a.R.transpose();
  const Eigen::Vector3d t = b.t - R * a.t;
  Eigen::Matrix3d K;
  for (int i = 0; i < 3; ++i) {
    for (int j = 0; j < 3; ++j) K(i, j) = set.K(i, j);
  }
  const Eigen::Matrix3d inverse = K.inverse();
  return inverse.transpose() * skew(t) * R * inverse;
}

// Descriptor distances of all features of `from` (rows) to all of `to`; those farther than `reach`
// px from each other's epipolar line are infinite.
cv::Mat distances_along(const View& from, const View& to, const Eigen::Matrix3d& F, double reach) {
  cv::Mat distances;
  cv::batchDistance(from.descriptors, to.descriptors, distances, CV_32F, cv::noArray());
  for (int i = 0; i < distances.rows; ++i) {
    const cv::Point2f& p = from.keys[static_cast<std::size_t>(i)].pt;
    Eigen::Vector3d line = F * Eigen::Vector3d(p.x, p.y, 1.0);
    line /= line.head<2>().norm();
    auto* row = distances.ptr<float>(i);
    for (int j = 0; j < distances.cols; ++j) {
      const cv::Point2f& q = to.keys[static_cast<std::size_t>(j)].pt;
      if (std::abs(line.x() * q.x + line.y() * q.y + line.z()) > reach) {
        row[j] = std::numeric_limits<float>::infinity();
      }
    }
  }
  return distances;
}

// In every row the nearest, by ratio to the second.
std::map<int, int> nearest(const cv::Mat& distances) {
  std::map<int, int> best;
  for (int i = 0; i < distances.rows; ++i) {
    const auto* row = distances.ptr<float>(i);
    float first = std::numeric_limits<float>::infinity();
    float second = first;
    int which = -1;
    for (int j = 0; j < distances.cols; ++j) {
      if (row[j] < first) {
        second = first;
        first = row[j];
        which = j;
      } else {
        second = std::min(second, row[j]);
      }
    }
    // Where a line has one feature only, the ratio says nothing.
    if (which >= 0 && first < 250.0F && first < kRatio * static_cast<double>(second)) {
      best[i] = which;
    }
  }
  return best;
}

void keep_mutual(const std::map<int, int>& there, const std::map<int, int>& back, Pair& pair) {
  for (const auto& [i, j] : there) {
    const auto found = back.find(j);
    if (found != back.end() && found->second == i) pair.matches.emplace_back(i, j);
  }
}

// How far an epipolar line may lie off by the priors' sigmas: a rotation moves the image by f times
// its angle, a shift by f over the distance; three sigmas, and a pixel for the features.
double reach_of(const Set& set, const View& view) {
  const double f = set.K(0, 0);
  const double turned = f * view.sigma.head<3>().norm();
  const double moved = f * view.sigma.tail<3>().norm() / view.prior.t.norm();
  return std::min(60.0, 1.0 + 3.0 * std::hypot(turned, moved));
}

}  // namespace

Eigen::Matrix3d skew(const Eigen::Vector3d& v) {
  Eigen::Matrix3d m;
  m << 0, -v.z(), v.y(), v.z(), 0, -v.x(), -v.y(), v.x(), 0;
  return m;
}

std::vector<Pair> match_all(const Set& set, int* tried) {
  std::vector<Pair> pairs;
  for (std::size_t a = 0; a < set.views.size(); ++a) {
    for (std::size_t b = a + 1; b < set.views.size(); ++b) {
      ++*tried;
      Pair pair{a, b, {}};
      const View& from = set.views[a];
      const View& to = set.views[b];
      if (from.descriptors.rows < 2 || to.descriptors.rows < 2) continue;
      keep_mutual(best_of(from.descriptors, to.descriptors),
                  best_of(to.descriptors, from.descriptors), pair);
      if (pair.matches.size() < kFewest) continue;
      keep_essential(set, pair);
      if (pair.matches.size() >= kFewest) pairs.push_back(std::move(pair));
    }
  }
  return pairs;
}

std::vector<Pair> match_guided(const Set& set, int* tried) {
  constexpr double kSameSide = 0.7;  // cosine of 45 degrees between lines of observation
  std::vector<Pair> pairs;
  for (std::size_t a = 0; a < set.views.size(); ++a) {
    for (std::size_t b = a + 1; b < set.views.size(); ++b) {
      const View& from = set.views[a];
      const View& to = set.views[b];
      if (from.prior.R.row(2).dot(to.prior.R.row(2)) < kSameSide) continue;
      ++*tried;
      Pair pair{a, b, {}};
      const Eigen::Matrix3d F = fundamental(set, from.prior, to.prior);
      const double reach = std::max(reach_of(set, from), reach_of(set, to));
      if (from.descriptors.rows < 2 || to.descriptors.rows < 2) continue;
      const cv::Mat distances = distances_along(from, to, F, reach);
      keep_mutual(nearest(distances), nearest(distances.t()), pair);
      if (!pair.matches.empty()) pairs.push_back(std::move(pair));
    }
  }
  return pairs;
}

std::vector<Track> tracks_of(const Set& set, const std::vector<Pair>& pairs) {
  std::vector<std::size_t> first(set.views.size() + 1, 0);
  for (std::size_t v = 0; v < set.views.size(); ++v) {
    first[v + 1] = first[v] + set.views[v].keys.size();
  }
  std::vector<std::size_t> parent(first.back());
  std::iota(parent.begin(), parent.end(), 0U);
  const auto root = [&parent](std::size_t i) {
    while (parent[i] != i) i = parent[i] = parent[parent[i]];
    return i;
  };
  for (const Pair& pair : pairs) {
    for (const auto& [i, j] : pair.matches) {
      parent[root(first[pair.a] + static_cast<std::size_t>(i))] =
          root(first[pair.b] + static_cast<std::size_t>(j));
    }
  }
  std::map<std::size_t, Track> grouped;
  for (std::size_t v = 0; v < set.views.size(); ++v) {
    for (std::size_t i = 0; i < set.views[v].keys.size(); ++i) {
      grouped[root(first[v] + i)].push_back({v, static_cast<int>(i)});
    }
  }
  std::vector<Track> tracks;
  for (auto& [key, track] : grouped) {
    std::set<std::size_t> views;
    for (const Observation& observation : track) views.insert(observation.view);
    if (track.size() >= 2 && views.size() == track.size()) tracks.push_back(std::move(track));
  }
  return tracks;
}

}  // namespace head_start

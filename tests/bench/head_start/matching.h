// Matches and tracks of the head-start measurement.
#pragma once

#include <Eigen/Core>
#include <utility>
#include <vector>

#include "tests/bench/head_start/set.h"

namespace head_start {

struct Pair {
  std::size_t a = 0;
  std::size_t b = 0;
  std::vector<std::pair<int, int>> matches;  // features of a and b
};

// Every pair of views, ratio test both ways, essential matrix by RANSAC.
std::vector<Pair> match_all(const Set& set, int* tried);
// Pairs that look at the same side by their priors, features near each other's epipolar lines only.
std::vector<Pair> match_guided(const Set& set, int* tried);

struct Observation {
  std::size_t view = 0;
  int feature = 0;
};
using Track = std::vector<Observation>;
// Features that are connected by matches; those that meet a view twice are dropped.
std::vector<Track> tracks_of(const Set& set, const std::vector<Pair>& pairs);

Eigen::Matrix3d skew(const Eigen::Vector3d& v);

}  // namespace head_start

// Disjoint sets of whole numbers, each named by its least member.
//
// R. Tarjan and J. van Leeuwen, "Worst-case analysis of set union algorithms", Journal of the ACM
// 31(2), 1984: paths are halved on the way.
#pragma once

#include <algorithm>
#include <cstddef>
#include <numeric>
#include <vector>

namespace trunnion {

class DisjointSets {
 public:
  explicit DisjointSets(std::size_t count = 0) : parent_(count) {
    std::iota(parent_.begin(), parent_.end(), std::size_t{0});
  }
  // One more number, in a set of its own.
  void add() { parent_.push_back(parent_.size()); }
  std::size_t find(std::size_t i) {
    while (parent_[i] != i) i = parent_[i] = parent_[parent_[i]];
    return i;
  }
  void join(std::size_t a, std::size_t b) {
    a = find(a);
    b = find(b);
    parent_[std::max(a, b)] = std::min(a, b);
  }

 private:
  std::vector<std::size_t> parent_;
};

}  // namespace trunnion

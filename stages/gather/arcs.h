// Part of gather: which parts may begin where, and how probable each is (gather.h).
#pragma once

#include <cmath>
#include <limits>
#include <map>
#include <utility>
#include <vector>

#include "stages/gather/evidence.h"
#include "stages/gather/gather.h"

namespace trunnion::gather {

inline constexpr double kNever = -std::numeric_limits<double>::infinity();

[[nodiscard]] inline double log_sum(double a, double b) {
  if (a < b) std::swap(a, b);
  return b < a - 40 || b == kNever ? a : a + std::log1p(std::exp(b - a));
}

// How often stations are skipped, where one is: one, or any number of them.
inline const double kSkip = std::log(0.003);
inline const double kJump = std::log(2e-4);

// Log probability that a series planned with `planned` frames (0: unknown) spans `count`.
double log_count(int planned, int count);

// A part from a unit up to `end`, and the state it leads to: the station that is next.
struct Arc {
  PartKind kind;
  std::size_t end;
  int to;
  int expected;
  double score;
};

class Arcs {
 public:
  Arcs(const std::vector<Gap>& gaps, const std::vector<GapScore>& scores,
       const std::vector<Expected>& expected);

  [[nodiscard]] std::size_t units() const { return units_; }
  [[nodiscard]] int states() const { return static_cast<int>(expected_.size()) + 1; }
  [[nodiscard]] double start(int k) const;
  [[nodiscard]] double stop(int k) const;

  // Calls f(Arc) for every part from unit `i` where station `k` is next.
  template <typename F>
  void from(std::size_t i, int k, const F& f) const {
    for (std::size_t e = next_end_[i]; e < ends_.size(); ++e) {
      if (!between(i, ends_[e], k, f)) break;
    }
  }

  // The same for parts up to unit `j` only; false where no part is as long.
  template <typename F>
  bool between(std::size_t i, std::size_t j, int k, const F& f) const {
    const auto count = static_cast<int>(slots_[j - 1] - slots_[i]) + 1;
    const auto shots = static_cast<int>(j - i);
    if (count > longest_) return false;
    const bool has_next = k + 1 < states();
    const int planned = has_next ? expected_[static_cast<std::size_t>(k)].frames : 0;
    const double in = within_[j - 1] - within_[i];
    const double cut = j < units_ ? scores_[j - 1].between : 0.0;
    const double again = j < units_ ? scores_[j - 1].restart : 0.0;
    const auto c = static_cast<std::size_t>(count);
    if (has_next) {
      const std::vector<double>& series = *next_[static_cast<std::size_t>(k)];
      if (c < series.size()) f(Arc{PartKind::series, j, k + 1, k, series[c] + in + cut});
      if (count < planned) {
        f(Arc{PartKind::aborted, j, k, k, aborted(planned) + in + again});
        if (j == units_) f(Arc{PartKind::partial, j, k + 1, k, partial(planned) + in});
      }
    }
    if (k > 0) {
      const std::vector<double>& before = *next_[static_cast<std::size_t>(k) - 1];
      if (c < before.size()) {
        f(Arc{PartKind::repeated, j, k, k - 1, repeated() + before[c] + in + cut});
      }
    }
    if (shots <= static_cast<int>(test_.size())) {
      f(Arc{PartKind::test, j, k, -1,
            test_[static_cast<std::size_t>(shots) - 1] + loose_[j - 1] - loose_[i] + cut});
    }
    f(Arc{PartKind::extra, j, k, -1, broad_[c - 1] + in + cut});
    return true;
  }

 private:
  static double aborted(int planned);
  static double partial(int planned);
  static double repeated();  // against a series

  const std::vector<GapScore>& scores_;
  const std::vector<Expected>& expected_;
  std::size_t units_;
  std::vector<double> within_;  // sums over the gaps before a unit
  std::vector<double> loose_;
  std::vector<long> slots_;
  std::map<int, std::vector<double>> counts_;     // log probability by the frames planned
  std::vector<const std::vector<double>*> next_;  // of each station
  int longest_ = 0;
  std::vector<double> broad_;  // of extra parts and of test shots, by their frames
  std::vector<double> test_;
  std::vector<std::size_t> ends_;      // units before which a part may end
  std::vector<std::size_t> next_end_;  // where the next one after a unit stands in ends_
};

}  // namespace trunnion::gather

#include "stages/gather/lattice.h"

#include <gtest/gtest.h>

#include <cmath>
#include <functional>

#include "stages/gather/arcs.h"

namespace trunnion::gather {
namespace lattice_test {

// Seven frames and two stations of two to three frames: few enough to write every way down.
struct Small {
  std::vector<Gap> gaps{6};
  std::vector<GapScore> scores;
  std::vector<Expected> expected{{"low", 0, 3}, {"low", 1, 3}};
  Small() {
    const std::vector<double> odds{-2, -1, 2.5, -3, -0.5, 1};
    for (const double o : odds) scores.push_back({-1.0, -1.0 + o, -1.2 + o, -2.0});
  }
};

struct AllWays {
  double total = 0;
  std::vector<double> cut = std::vector<double>(6, 0.0);
  double best = -1;
  std::vector<std::size_t> best_ends;
};

// Every path is followed and its probability added: no recursion is shared with the sums.
AllWays enumerate(const Small& s) {
  const Arcs arcs(s.gaps, s.scores, s.expected);
  AllWays ways;
  const double states = arcs.states();
  std::vector<std::size_t> ends;
  std::function<void(std::size_t, int, double)> follow = [&](std::size_t at, int k, double p) {
    if (at == arcs.units()) {
      const double whole = std::exp(p + arcs.stop(k));
      ways.total += whole;
      for (const std::size_t e : ends) {
        if (e < arcs.units()) ways.cut[e - 1] += whole;
      }
      if (whole > ways.best) {
        ways.best = whole;
        ways.best_ends = ends;
      }
      return;
    }
    arcs.from(at, k, [&](const Arc& arc) {
      ends.push_back(arc.end);
      follow(arc.end, arc.to, p + arc.score);
      // Or stations are skipped at the cut, in one go or one after the other.
      const std::function<void(int, double)> skip = [&](int from, double q) {
        for (int to = from + 1; to < arcs.states(); ++to) {
          const double jump = q + kJump - std::log(states);
          follow(arc.end, to, jump);
          skip(to, jump);
          if (to != from + 1) continue;
          follow(arc.end, to, q + kSkip);
          skip(to, q + kSkip);
        }
      };
      if (arc.end < arcs.units()) skip(arc.to, p + arc.score);
      ends.pop_back();
    });
  };
  for (int k = 0; k < arcs.states(); ++k) follow(0, k, arcs.start(k));
  return ways;
}

TEST(GatherLattice, SumsAndBestAreThoseOfAllWaysWrittenDown) {
  const Small s;
  const AllWays ways = enumerate(s);
  const LatticeResult result = solve_lattice(s.gaps, s.scores, s.expected);
  EXPECT_NEAR(result.log_evidence, std::log(ways.total), 1e-9);
  ASSERT_EQ(result.cut.size(), ways.cut.size());
  for (std::size_t i = 0; i < ways.cut.size(); ++i) {
    EXPECT_NEAR(result.cut[i], ways.cut[i] / ways.total, 1e-9) << i;
  }
  std::vector<std::size_t> ends;
  for (const Segment& segment : result.best) ends.push_back(segment.end);
  EXPECT_EQ(ends, ways.best_ends);
}

TEST(GatherLattice, ProbabilitiesOfCountsSumToOneWithinTheirTail) {
  for (const int planned : {8, 40, 120}) {
    double sum = 0;
    for (int c = 0; c <= 3 * planned; ++c) sum += std::exp(log_count(planned, c));
    EXPECT_NEAR(sum, 1.0, 0.01) << planned;
    EXPECT_GT(log_count(planned, planned), log_count(planned, planned - 1));
    EXPECT_GT(log_count(planned, planned + 1), log_count(planned, planned + 3));
  }
}

}  // namespace lattice_test
}  // namespace trunnion::gather

// Part of gather: all ways to cut a sequence into parts, summed and maximised (gather.h).
#pragma once

#include <vector>

#include "stages/gather/evidence.h"
#include "stages/gather/gather.h"

namespace trunnion::gather {

// Units `first` to `end` - 1, the frames that did not fail.
struct Segment {
  PartKind kind = PartKind::series;
  std::size_t first = 0;
  std::size_t end = 0;
  int expected = -1;
  double posterior = 0;
};

struct LatticeResult {
  std::vector<Segment> best;
  std::vector<double> cut;  // probability that a part ends at each gap
  double log_evidence = 0;
};

// One score and one gap fewer than there are units.
LatticeResult solve_lattice(const std::vector<Gap>& gaps, const std::vector<GapScore>& scores,
                            const std::vector<Expected>& expected);

}  // namespace trunnion::gather

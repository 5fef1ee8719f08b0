#include "stages/gather/arcs.h"

#include <algorithm>

namespace trunnion::gather {
namespace {

constexpr double kHopeless = 14;   // nats against an end of a part at a gap: never one
constexpr int kMostTest = 15;      // frames
constexpr int kMostUnknown = 400;  // frames of a series of which nothing is planned

// How often each happens to a series: habits of benches, chosen on the tuning seeds.
const double kSeries = std::log(0.93);
const double kAborted = std::log(0.025);
const double kRepeated = std::log(0.012);
const double kTest = std::log(0.02);
const double kExtra = std::log(2e-4);
const double kPartial = std::log(0.08);
const double kStartElsewhere = std::log(0.05);
const double kEndEarly = std::log(0.3);

double log_broad(int count) {
  return -std::log(count * std::log(250.0)) - (count < 3 ? 6.0 : 0.0);
}

int most_of(int planned) {
  return planned == 0 ? kMostUnknown : planned + 5 + planned / 4;
}

// Chances of 0, 1, ... events of which `mean` are usual.
std::vector<double> poisson(double mean, int most) {
  std::vector<double> p{std::exp(-mean)};
  for (int i = 1; i <= most; ++i) p.push_back(p.back() * mean / i);
  return p;
}

}  // namespace

double log_count(int planned, int count) {
  if (planned == 0) return log_broad(std::max(1, count));
  // Up to 2 % of frames missing or taken twice, half of either.
  constexpr int kMost = 8;
  const std::vector<double> chance = poisson(0.008 * planned + 0.02, 2 * kMost);
  const int off = count - planned;
  double sum = 0;
  for (int missing = 0; missing <= kMost; ++missing) {
    const int twice = off + missing;
    if (twice < 0 || twice > 2 * kMost) continue;
    sum += chance[static_cast<std::size_t>(missing)] * chance[static_cast<std::size_t>(twice)];
  }
  // Or the series was shot otherwise than planned.
  const double tail = 1e-3 * 0.15 * std::exp(-0.3 * std::abs(off)) + 1e-5 / (planned + 1.0);
  return std::log(sum + tail);
}

Arcs::Arcs(const std::vector<Gap>& gaps, const std::vector<GapScore>& scores,
           const std::vector<Expected>& expected)
    : scores_(scores), expected_(expected), units_(gaps.size() + 1) {
  within_.assign(units_, 0);
  loose_.assign(units_, 0);
  slots_.assign(units_, 0);
  for (std::size_t u = 0; u < gaps.size(); ++u) {
    within_[u + 1] = within_[u] + scores[u].within;
    loose_[u + 1] = loose_[u] + scores[u].loose;
    slots_[u + 1] = slots_[u] + gaps[u].slots;
  }
  for (const Expected& e : expected) {
    std::vector<double>& table = counts_[e.frames];
    for (int c = static_cast<int>(table.size()); c <= most_of(e.frames); ++c) {
      table.push_back(kSeries + log_count(e.frames, c));
    }
    next_.push_back(&table);
    longest_ = std::max(longest_, most_of(e.frames));
  }
  if (expected.empty()) longest_ = kMostUnknown;
  longest_ = std::max(longest_, kMostTest);
  for (int c = 1; c <= longest_; ++c) broad_.push_back(kExtra + log_broad(c));
  for (int c = 1; c <= kMostTest; ++c) {
    test_.push_back(kTest + std::log(0.35) + (c - 1) * std::log(0.65));
  }
  for (std::size_t j = 1; j <= units_; ++j) {
    const bool can_end = j == units_ || scores[j - 1].between - scores[j - 1].within > -kHopeless ||
                         scores[j - 1].restart - scores[j - 1].within > -kHopeless;
    if (can_end) ends_.push_back(j);
    next_end_.push_back(ends_.size() - (can_end ? 1 : 0));
  }
}

double Arcs::start(int k) const {
  return k == 0 ? 0.0 : kStartElsewhere - std::log(states() - 1);
}

double Arcs::stop(int k) const {
  return k == states() - 1 ? 0.0 : kEndEarly - std::log(states());
}

double Arcs::aborted(int planned) {
  return kAborted - std::log(planned);
}

double Arcs::partial(int planned) {
  return kPartial - std::log(planned);
}

double Arcs::repeated() {
  return kRepeated - kSeries;
}

}  // namespace trunnion::gather

#include "stages/gather/gather.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "stages/gather/arcs.h"
#include "stages/gather/evidence.h"
#include "stages/gather/labels.h"
#include "stages/gather/lattice.h"

namespace trunnion::gather {
namespace {

constexpr int kRounds = 4;

struct Cut {
  LatticeResult lattice;
  GapModel model;
};

Cut fit_and_cut(const std::vector<Gap>& gaps, const std::vector<Expected>& expected,
                const GatherOptions& options) {
  Cut cut;
  cut.model = first_model(gaps, options);
  for (int round = 0; round < kRounds; ++round) {
    const std::vector<double> before = cut.lattice.cut;
    if (round > 0) refit(cut.model, gaps, before);
    std::vector<GapScore> scores;
    for (const Gap& gap : gaps) scores.push_back(score(cut.model, gap));
    cut.lattice = solve_lattice(gaps, scores, expected);
    const auto settled = [](double a, double b) { return std::abs(a - b) < 1e-3; };
    if (std::equal(before.begin(), before.end(), cut.lattice.cut.begin(), cut.lattice.cut.end(),
                   settled)) {
      break;
    }
  }
  return cut;
}

// Where no number of frames is planned, most series of a ring have the number that is usual there.
bool learn_counts(const LatticeResult& lattice, const std::vector<Gap>& gaps,
                  std::vector<Expected>& expected) {
  std::map<std::string, std::vector<int>> counts;
  for (const Segment& s : lattice.best) {
    if (s.kind != PartKind::series || s.expected < 0) continue;
    const Expected& station = expected[static_cast<std::size_t>(s.expected)];
    if (station.frames > 0) continue;
    int count = 1;
    for (std::size_t u = s.first; u + 1 < s.end; ++u) count += gaps[u].slots;
    counts[station.ring].push_back(count);
  }
  bool learnt = false;
  for (auto& [ring, all] : counts) {
    std::sort(all.begin(), all.end());
    const int usual = all[all.size() / 2];
    const auto near =
        std::count_if(all.begin(), all.end(), [&](int c) { return std::abs(c - usual) <= 1; });
    if (all.size() < 4 || 2 * static_cast<std::size_t>(near) <= all.size()) continue;
    for (Expected& station : expected) {
      if (station.ring != ring || station.frames > 0) continue;
      station.frames = usual;
      learnt = true;
    }
  }
  return learnt;
}

struct Split {
  std::size_t before = 0;  // frame of the order
  double probability = 1;
};

// Frames of the parts on both sides of a gap, without those that failed in it, and those planned.
struct Sides {
  int left = 0;
  int right = 0;
  int planned_left = 0;  // 0: unknown
  int planned_right = 0;
};

// Where in a gap of failed frames the part ends: the times of each and the numbers of frames
// decide. All ways, likeliest first.
std::vector<Split> splits_of(const std::vector<Frame>& frames, std::size_t a, std::size_t b,
                             const GapModel& model, const Sides& sides) {
  std::vector<Split> splits;
  double sum = 0;
  for (std::size_t i = a; i < b; ++i) {
    double odds = 0;
    if (frames[i].time_s && frames[i + 1].time_s && model.times) {
      odds = time_odds(model, *frames[i + 1].time_s - *frames[i].time_s,
                       !frames[i].subseconds || !frames[i + 1].subseconds);
    }
    const auto hidden = static_cast<int>(i - a);
    if (sides.planned_left > 0) odds += log_count(sides.planned_left, sides.left + hidden);
    if (sides.planned_right > 0) {
      odds += log_count(sides.planned_right, sides.right + static_cast<int>(b - i) - 1);
    }
    splits.push_back({i + 1, std::exp(std::clamp(odds, -30.0, 30.0))});
    sum += splits.back().probability;
  }
  for (Split& split : splits) split.probability /= sum;
  std::stable_sort(splits.begin(), splits.end(),
                   [](const Split& x, const Split& y) { return x.probability > y.probability; });
  return splits;
}

class Assembly {
 public:
  Assembly(const std::vector<Frame>& frames, const std::vector<std::size_t>& units,
           const std::vector<Gap>& gaps, const std::vector<Expected>& expected,
           const GatherOptions& options)
      : frames_(frames), units_(units), gaps_(gaps), expected_(expected), options_(options) {}

  // Parts of all frames, the failed ones too; test shots side by side are one part.
  void add_parts(const Cut& cut, Gathering& result) const {
    std::vector<Split> starts{{0, 1}};
    for (std::size_t u = 0; u + 1 < units_.size(); ++u) {
      const double there = cut.lattice.cut[u];
      const bool made = made_at(cut.lattice.best, u + 1);
      if (!made && there < options_.possible) continue;
      const Sides sides = made ? sides_at(cut.lattice.best, u + 1) : Sides{};
      const std::vector<Split> ways =
          splits_of(frames_, units_[u], units_[u + 1], cut.model, sides);
      for (std::size_t i = 0; i < ways.size(); ++i) {
        const double p = there * ways[i].probability;
        const bool here = made && i == 0;
        if (here ? p < options_.certain : p > options_.possible) {
          result.doubts.push_back({ways[i].before, here, p});
        }
      }
      if (made) starts.push_back({ways.front().before, there * ways.front().probability});
    }
    for (std::size_t s = 0; s < cut.lattice.best.size(); ++s) {
      const Segment& segment = cut.lattice.best[s];
      Part part;
      part.kind = segment.kind;
      part.expected = segment.expected;
      part.first = starts[s].before;
      part.last = (s + 1 < starts.size() ? starts[s + 1].before : frames_.size()) - 1;
      part.certainty = segment.posterior;
      if (s + 1 < starts.size())
        part.certainty = std::min(part.certainty, starts[s + 1].probability);
      part.certainty = std::min(part.certainty, starts[s].probability);
      result.parts.push_back(part);
    }
    join_tests(result);
  }

 private:
  static bool made_at(const std::vector<Segment>& best, std::size_t unit) {
    return std::any_of(best.begin(), best.end(),
                       [unit](const Segment& s) { return s.first == unit; });
  }

  // Of the parts that end and begin at a unit.
  [[nodiscard]] Sides sides_at(const std::vector<Segment>& best, std::size_t unit) const {
    Sides sides;
    for (const Segment& s : best) {
      const bool whole = s.kind == PartKind::series || s.kind == PartKind::repeated;
      const int planned = whole ? expected_[static_cast<std::size_t>(s.expected)].frames : 0;
      int count = 1;
      for (std::size_t u = s.first; u + 1 < s.end; ++u) count += gaps_[u].slots;
      if (s.end == unit) {
        sides.left = count;
        sides.planned_left = planned;
      } else if (s.first == unit) {
        sides.right = count;
        sides.planned_right = planned;
      }
    }
    return sides;
  }

  static void join_tests(Gathering& result) {
    std::vector<Part> joined;
    for (const Part& part : result.parts) {
      if (!joined.empty() && part.kind == PartKind::test && joined.back().kind == part.kind) {
        joined.back().last = part.last;
        joined.back().certainty = std::max(joined.back().certainty, part.certainty);
        std::erase_if(result.doubts, [&](const DoubtfulCut& d) { return d.before == part.first; });
        continue;
      }
      joined.push_back(part);
    }
    result.parts = std::move(joined);
  }

  const std::vector<Frame>& frames_;
  const std::vector<std::size_t>& units_;
  const std::vector<Gap>& gaps_;
  const std::vector<Expected>& expected_;
  const GatherOptions& options_;
};

// The last whole series of a station stands for it; a partial one where there is no other.
void choose_used(Gathering& result, std::size_t stations) {
  std::vector<int> chosen(stations, -1);
  for (std::size_t i = 0; i < result.parts.size(); ++i) {
    Part& part = result.parts[i];
    const bool whole = part.kind == PartKind::series || part.kind == PartKind::repeated;
    if (part.expected < 0 || !whole) continue;
    int& of_station = chosen[static_cast<std::size_t>(part.expected)];
    if (of_station >= 0) {
      Part& earlier = result.parts[static_cast<std::size_t>(of_station)];
      earlier.used = false;
      earlier.kind = PartKind::repeated;
    }
    part.used = true;
    part.kind = PartKind::series;
    of_station = static_cast<int>(i);
  }
  for (Part& part : result.parts) {
    if (part.kind == PartKind::partial && part.expected >= 0 &&
        chosen[static_cast<std::size_t>(part.expected)] < 0) {
      part.used = true;
    }
  }
}

void mark_doubtful(Gathering& result, double certain) {
  for (Part& part : result.parts) {
    part.doubtful = part.certainty < certain;
    for (const DoubtfulCut& doubt : result.doubts) {
      if (doubt.before >= part.first && doubt.before <= part.last + 1) part.doubtful = true;
    }
  }
}

void find_clock_changes(const std::vector<Frame>& frames, Gathering& result) {
  constexpr double kJump = 1800;
  for (std::size_t i = 1; i < frames.size(); ++i) {
    if (!frames[i].time_s || !frames[i - 1].time_s) continue;
    const double dt = *frames[i].time_s - *frames[i - 1].time_s;
    const bool cut = std::any_of(result.parts.begin(), result.parts.end(),
                                 [i](const Part& part) { return part.first == i; });
    if (dt < -1.5 || (dt > kJump && !cut)) result.clock_changes.push_back(i);
  }
}

}  // namespace

const char* name_of(PartKind kind) {
  switch (kind) {
    case PartKind::series:
      return "series";
    case PartKind::repeated:
      return "repeated";
    case PartKind::aborted:
      return "aborted";
    case PartKind::test:
      return "test";
    case PartKind::partial:
      return "partial";
    case PartKind::extra:
      return "extra";
  }
  return "extra";
}

Gathering gather_series(const std::vector<Frame>& frames, const std::vector<Expected>& expected,
                        const GatherOptions& options) {
  Gathering result;
  if (frames.empty()) return result;
  const std::vector<bool> failed = failed_frames(frames);
  std::vector<std::size_t> units;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (failed[i]) {
      result.failed.push_back(i);
    } else {
      units.push_back(i);
    }
  }
  if (units.empty()) {
    result.parts.push_back({PartKind::extra, 0, frames.size() - 1, -1, false, 0, true});
    return result;
  }
  const std::vector<Gap> gaps = gaps_of(frames, units);
  std::vector<Expected> counted = expected;
  Cut cut = fit_and_cut(gaps, counted, options);
  if (learn_counts(cut.lattice, gaps, counted)) cut = fit_and_cut(gaps, counted, options);
  label_parts(frames, units, gaps, counted, cut.model, cut.lattice.best);
  result.interval_s = cut.model.times ? cut.model.interval_s : 0;
  Assembly(frames, units, gaps, counted, options).add_parts(cut, result);
  choose_used(result, expected.size());
  mark_doubtful(result, options.certain_part);
  find_clock_changes(frames, result);
  return result;
}

}  // namespace trunnion::gather

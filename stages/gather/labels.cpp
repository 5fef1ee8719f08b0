#include "stages/gather/labels.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "core/median.h"
#include "stages/gather/arcs.h"

namespace trunnion::gather {
namespace {

constexpr double kMostOdds = 9;
constexpr std::size_t kShortest = 3;  // frames of a part that is compared where it is no test

// Log of the least difference of two parts at one plane of focus over that of neighbours within
// them; where one part is shorter, near plane to near plane or, where the rail comes back, to the
// far one; NaN: unknown.
double change_of_parts(const std::vector<Frame>& frames, const std::vector<std::size_t>& units,
                       const Segment& a, const Segment& b) {
  std::vector<double> steps;
  for (const Segment* part : {&a, &b}) {
    for (std::size_t u = part->first; u + 1 < part->end; ++u) {
      const double d = difference(frames[units[u]], frames[units[u + 1]]);
      if (d >= 0) steps.push_back(std::log(d + 1e-6));
    }
  }
  if (steps.empty()) return std::numeric_limits<double>::quiet_NaN();
  double least = std::numeric_limits<double>::infinity();
  const auto compare = [&](std::size_t u, std::size_t v) {
    const double d = difference(frames[units[u]], frames[units[v]]);
    if (d >= 0) least = std::min(least, d);
  };
  const std::size_t of_a = a.end - a.first;
  const std::size_t of_b = b.end - b.first;
  if (std::max(of_a, of_b) <= std::min(of_a, of_b) * 11 / 10 + 2) {
    // Both whole: their middles show most, one frame more or less apart.
    const std::size_t middle = b.first + of_b / 2;
    for (std::size_t v = middle - std::min<std::size_t>(middle - b.first, 1);
         v <= middle + 1 && v < b.end; ++v) {
      compare(a.first + of_a / 2, v);
    }
  } else {
    for (const std::size_t u : {a.first, a.end - 1}) {
      for (const std::size_t v : {b.first, b.end - 1}) compare(u, v);
    }
  }
  return std::log(least + 1e-6) - median_of(steps);
}

// Log odds that a part shows the station of the one before it that is no test shot.
std::vector<double> same_station_odds(const std::vector<Frame>& frames,
                                      const std::vector<std::size_t>& units, const GapModel& model,
                                      const std::vector<Segment>& parts) {
  std::vector<double> changes(parts.size(), std::numeric_limits<double>::quiet_NaN());
  std::vector<double> known;
  const Segment* before = nullptr;
  for (std::size_t s = 0; s < parts.size(); ++s) {
    if (parts[s].kind == PartKind::test) continue;
    if (before != nullptr) changes[s] = change_of_parts(frames, units, *before, parts[s]);
    if (std::isfinite(changes[s])) known.push_back(changes[s]);
    before = &parts[s];
  }
  std::vector<double> odds(parts.size(), 0.0);
  if (known.size() < kShortest || !model.previews) return odds;
  const double usual = median_of(known);  // most parts show a station of their own
  std::vector<double> off;
  for (const double c : known) off.push_back(std::abs(c - usual));
  const double spread = std::max(0.25, 1.4826 * median_of(off));
  const double same_spread = std::max(0.5, model.same_spread);
  if (usual < model.same_mean + 0.5) return odds;
  for (std::size_t s = 0; s < parts.size(); ++s) {
    if (!std::isfinite(changes[s])) continue;
    const double c = std::clamp(changes[s], model.same_mean - same_spread, usual + spread);
    const double z = (c - usual) / spread;
    const double y = std::max(0.0, c - model.same_mean) / same_spread;
    odds[s] = std::clamp(0.5 * z * z - 0.5 * y * y + std::log(spread / same_spread), -kMostOdds,
                         kMostOdds);
  }
  return odds;
}

// What was last before the lens, next to the station that is next.
enum Shown : std::size_t { nothing, previous, coming };

// All ways to name the parts, summed from both sides.
class Labels {
 public:
  Labels(const Arcs& arcs, const std::vector<double>& odds, std::vector<Segment>& parts)
      : arcs_(arcs), odds_(odds), parts_(parts), states_(static_cast<std::size_t>(arcs.states())) {}

  void name() {
    before_.assign(parts_.size() + 1, std::vector<double>(3 * states_, kNever));
    after_ = before_;
    for (std::size_t k = 0; k < states_; ++k) before_[0][3 * k] = arcs_.start(static_cast<int>(k));
    for (std::size_t s = 0; s < parts_.size(); ++s) {
      each_way(s, [&](std::size_t from, std::size_t to, const Arc&, double score) {
        double& sum = before_[s + 1][to];
        sum = log_sum(sum, before_[s][from] + score);
      });
    }
    for (std::size_t k = 0; k < states_; ++k) {
      for (std::size_t f = 0; f < 3; ++f) {
        after_[parts_.size()][3 * k + f] = arcs_.stop(static_cast<int>(k));
      }
    }
    for (std::size_t s = parts_.size(); s-- > 0;) {
      each_way(s, [&](std::size_t from, std::size_t to, const Arc&, double score) {
        double& sum = after_[s][from];
        sum = log_sum(sum, after_[s + 1][to] + score);
      });
    }
    take_best();
  }

 private:
  static std::size_t shown_after(const Arc& arc, std::size_t shown) {
    if (arc.kind == PartKind::aborted) return coming;
    if (arc.kind == PartKind::test) return shown;
    return arc.expected < 0 ? nothing : previous;
  }

  // Every way that part `s` may be named, from a state with or without skips before it.
  template <typename F>
  void each_way(std::size_t s, const F& f) const {
    const Segment& part = parts_[s];
    for (std::size_t k = 0; k < states_; ++k) {
      arcs_.between(part.first, part.end, static_cast<int>(k), [&](const Arc& arc) {
        for (std::size_t shown = 0; shown < 3; ++shown) {
          const bool again = (shown == coming && arc.expected == static_cast<int>(k)) ||
                             (shown == previous && arc.expected + 1 == static_cast<int>(k));
          const double score = arc.score + (again && arc.expected >= 0 ? odds_[s] : 0.0);
          const std::size_t to = 3 * static_cast<std::size_t>(arc.to) + shown_after(arc, shown);
          f(3 * k + shown, to, arc, score);
          if (shown != nothing || s == 0) continue;
          for (std::size_t m = 0; m < k; ++m) {  // stations m to k - 1 have no frame
            const double skip = log_sum(m + 1 == k ? kSkip : kNever,
                                        kJump - std::log(static_cast<double>(states_)));
            for (std::size_t was = 0; was < 3; ++was) f(3 * m + was, to, arc, score + skip);
          }
        }
      });
    }
  }

  // The most probable way as a whole, and what each of its names has of all ways.
  void take_best() {
    double total = kNever;
    for (const double end : sums_at_end()) total = log_sum(total, end);
    std::vector<std::vector<double>> best(parts_.size() + 1,
                                          std::vector<double>(3 * states_, kNever));
    std::vector<std::vector<std::pair<std::size_t, Arc>>> back(
        parts_.size(), std::vector<std::pair<std::size_t, Arc>>(3 * states_, {0, Arc{}}));
    best[0] = before_[0];
    for (std::size_t s = 0; s < parts_.size(); ++s) {
      each_way(s, [&](std::size_t from, std::size_t to, const Arc& arc, double score) {
        if (best[s][from] + score <= best[s + 1][to]) return;
        best[s + 1][to] = best[s][from] + score;
        back[s][to] = {from, arc};
      });
    }
    std::size_t state = 0;
    for (std::size_t i = 0; i < 3 * states_; ++i) {
      if (best.back()[i] + after_.back()[i] > best.back()[state] + after_.back()[state]) state = i;
    }
    for (std::size_t s = parts_.size(); s-- > 0;) {
      const Arc& arc = back[s][state].second;
      parts_[s].kind = arc.kind;
      parts_[s].expected = arc.expected;
      double sum = kNever;
      each_way(s, [&](std::size_t i, std::size_t to, const Arc& other, double score) {
        if (other.kind != arc.kind || other.expected != arc.expected) return;
        sum = log_sum(sum, before_[s][i] + score + after_[s + 1][to]);
      });
      // The cuts may be uncertain too.
      parts_[s].posterior = std::exp(std::min(0.0, sum - total));
      state = back[s][state].first;
    }
  }

  [[nodiscard]] std::vector<double> sums_at_end() const {
    std::vector<double> sums;
    for (std::size_t i = 0; i < 3 * states_; ++i) {
      sums.push_back(before_.back()[i] + after_.back()[i]);
    }
    return sums;
  }

  const Arcs& arcs_;
  const std::vector<double>& odds_;
  std::vector<Segment>& parts_;
  std::size_t states_;
  std::vector<std::vector<double>> before_;
  std::vector<std::vector<double>> after_;
};

}  // namespace

void label_parts(const std::vector<Frame>& frames, const std::vector<std::size_t>& units,
                 const std::vector<Gap>& gaps, const std::vector<Expected>& expected,
                 const GapModel& model, std::vector<Segment>& parts) {
  std::vector<GapScore> scores;
  for (const Gap& gap : gaps) scores.push_back(score(model, gap));
  const Arcs arcs(gaps, scores, expected);
  const std::vector<double> odds = same_station_odds(frames, units, model, parts);
  Labels(arcs, odds, parts).name();
}

}  // namespace trunnion::gather

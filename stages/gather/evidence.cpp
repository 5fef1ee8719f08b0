#include "stages/gather/evidence.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "core/median.h"

namespace trunnion::gather {
namespace {

constexpr double kLongestPause = 180;   // s, within a series
constexpr double kShortestBreak = 2;    // s, between two
constexpr double kLongestBreak = 600;   // s, usual between two
constexpr double kClockJump = 1800;     // s; longer says nothing of what lies between
constexpr double kBlack = 0.3;          // of the level around: the flash did not fire
constexpr int kMostMissing = 20;        // numbers; more are other pictures
constexpr double kMostPreviewOdds = 9;  // one preview must not outweigh everything else
constexpr int kMostNumber = 9999;

double normal(double x, double mean, double sigma) {
  const double z = (x - mean) / sigma;
  return std::exp(-0.5 * z * z) / (sigma * 2.5066282746310002);
}

// log of a mean of two, `share` of the first.
double log_mean(double share, double log_a, double log_b) {
  return std::log(share * std::exp(log_a) + (1 - share) * std::exp(log_b) + 1e-12);
}

// Density of a value spread evenly over the logarithm from `low` to `high`.
double log_even(double x, double low, double high) {
  return x < low || x > high ? 0.0 : 1.0 / (x * std::log(high / low));
}

double level_of(const Frame& frame) {
  return std::accumulate(frame.grey.begin(), frame.grey.end(), 0.0) /
         static_cast<double>(frame.grey.size());
}

// A change that stays: one frame that differs (it moved, it is darker) is none.
std::vector<double> lasting_changes(const std::vector<Frame>& frames,
                                    const std::vector<std::size_t>& units) {
  std::vector<double> changes;
  const auto between = [&](std::size_t u, std::size_t v) {
    return difference(frames[units[u]], frames[units[v]]);
  };
  for (std::size_t u = 0; u + 1 < units.size(); ++u) {
    double least = between(u, u + 1);
    if (least >= 0 && u > 0) {
      if (const double d = between(u - 1, u + 1); d >= 0) least = std::min(least, d);
    }
    if (least >= 0 && u + 2 < units.size()) {
      if (const double d = between(u, u + 2); d >= 0) least = std::min(least, d);
    }
    changes.push_back(least);
  }
  return changes;
}

int slots_between(const Frame& a, const Frame& b, int hidden) {
  const int least = 1 + hidden;
  if (!a.number || !b.number) return least;
  int step = *b.number - *a.number;
  if (step < 0) step += kMostNumber;  // 9999 is followed by 0001
  return step > least && step <= least + kMostMissing ? step : least;
}

// Density of the time from one frame of a series to the next that is there.
double within_density(const GapModel& m, double dt, bool whole_seconds, int slots) {
  const double rounding = whole_seconds ? 1.0 / 6.0 : 0.0;  // variance of a difference of two
  const auto steps = [&](int n) {
    return normal(dt, n * m.interval_s, std::sqrt(n * m.spread_s * m.spread_s + rounding + 1e-6));
  };
  // Frames that are missing without a gap in the numbers, taken twice, and pauses.
  const double twice = dt >= -0.5 && dt < m.interval_s ? 1.0 / (m.interval_s + 0.5) : 0.0;
  const double x = std::max(dt, 0.5);
  return 0.955 * steps(slots) + 0.012 * steps(slots + 1) + 0.003 * steps(slots + 2) + 0.01 * twice +
         0.015 * log_even(x, 0.5, kLongestPause) + 2e-4 * log_even(x, 0.5, 20000);
}

double between_density(const GapModel& m, double dt, bool whole_seconds) {
  const auto density = [&](double t) {
    const double x = std::max(t, 0.3);
    return 0.5 * normal(std::log(x), m.pause_mean, m.pause_spread) / x +
           0.45 * log_even(x, kShortestBreak, kLongestBreak) + 0.05 * log_even(x, 0.3, 20000);
  };
  if (!whole_seconds) return density(dt);
  return 0.25 * density(dt - 0.5) + 0.5 * density(dt) + 0.25 * density(dt + 0.5);
}

}  // namespace

double difference(const Frame& a, const Frame& b) {
  if (a.grey.empty() || b.grey.size() != a.grey.size()) return -1;
  double aa = 1e-9;
  double ab = 0;
  double bb = 0;
  for (std::size_t i = 0; i < a.grey.size(); ++i) {
    const auto x = static_cast<double>(a.grey[i]);
    const auto y = static_cast<double>(b.grey[i]);
    aa += x * x;
    ab += x * y;
    bb += y * y;
  }
  // b against the multiple of a that is nearest to it.
  return std::sqrt(std::max(1e-9, bb - ab * ab / aa) / static_cast<double>(a.grey.size()));
}

std::vector<bool> failed_frames(const std::vector<Frame>& frames) {
  constexpr std::size_t kAround = 8;
  std::vector<double> levels;
  for (const Frame& frame : frames) levels.push_back(frame.grey.empty() ? -1 : level_of(frame));
  std::vector<bool> failed(frames.size(), false);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    failed[i] = !frames[i].readable;
    if (levels[i] < 0) continue;
    std::vector<double> around;
    for (std::size_t j = i - std::min(i, kAround); j <= i + kAround && j < frames.size(); ++j) {
      if (j != i && levels[j] >= 0) around.push_back(levels[j]);
    }
    if (!around.empty() && levels[i] < kBlack * median_of(around)) failed[i] = true;
  }
  return failed;
}

std::vector<Gap> gaps_of(const std::vector<Frame>& frames, const std::vector<std::size_t>& units) {
  const std::vector<double> changes = lasting_changes(frames, units);
  std::vector<Gap> gaps;
  for (std::size_t u = 0; u + 1 < units.size(); ++u) {
    const Frame& a = frames[units[u]];
    const Frame& b = frames[units[u + 1]];
    Gap gap;
    gap.hidden = static_cast<int>(units[u + 1] - units[u]) - 1;
    gap.slots = slots_between(a, b, gap.hidden);
    gap.settings_changed = !a.settings.empty() && !b.settings.empty() && a.settings != b.settings;
    if (a.time_s && b.time_s) {
      gap.dt_s = *b.time_s - *a.time_s;
      gap.whole_seconds = !a.subseconds || !b.subseconds;
      gap.clock_jump = *gap.dt_s < -1.5 || *gap.dt_s > kClockJump;
    }
    if (changes[u] >= 0) {
      constexpr std::size_t kAround = 7;
      std::vector<double> around;
      for (std::size_t v = u - std::min(u, kAround); v <= u + kAround && v < changes.size(); ++v) {
        if (v != u && changes[v] >= 0) around.push_back(std::log(changes[v] + 1e-6));
      }
      if (!around.empty()) gap.change = std::log(changes[u] + 1e-6) - median_of(around);
    }
    gaps.push_back(gap);
  }
  return gaps;
}

GapModel first_model(const std::vector<Gap>& gaps, const GatherOptions& options) {
  GapModel model;
  std::vector<double> times;
  std::vector<double> changes;
  for (const Gap& gap : gaps) {
    if (gap.dt_s && !gap.clock_jump && gap.slots == 1) times.push_back(*gap.dt_s);
    if (gap.change) changes.push_back(*gap.change);
  }
  model.times = options.use_times && !times.empty();
  model.previews = options.use_previews && !changes.empty();
  const double typical = median_of(times);
  // Whole seconds have a coarse median: the mean of those about it is finer.
  double sum = 0;
  double squares = 0;
  double count = 0;
  for (const double dt : times) {
    if (std::abs(dt - typical) > std::max(1.0, 0.6 * typical)) continue;
    sum += dt;
    squares += dt * dt;
    ++count;
  }
  if (count > 0) {
    model.interval_s = std::max(0.05, sum / count);
    model.spread_s =
        std::clamp(std::sqrt(std::max(0.0, squares / count - sum * sum / count / count)),
                   0.1 * model.interval_s, 0.3 * model.interval_s);
  }
  model.same_mean = median_of(changes);
  std::vector<double> off;
  for (const double c : changes) off.push_back(std::abs(c - model.same_mean));
  model.same_spread = std::max(0.15, 1.4826 * median_of(off));
  std::vector<double> high;
  for (const double c : changes) {
    if (c > model.same_mean + 3 * model.same_spread) high.push_back(c);
  }
  model.new_mean = std::max(model.same_mean + 1.0, high.empty() ? 1.5 : median_of(high));
  return model;
}

void refit(GapModel& model, const std::vector<Gap>& gaps, const std::vector<double>& cut) {
  struct Moments {
    double weight = 1e-9;
    double sum = 0;
    double squares = 0;
    void add(double w, double x) {
      weight += w;
      sum += w * x;
      squares += w * x * x;
    }
    [[nodiscard]] double mean() const { return sum / weight; }
    [[nodiscard]] double spread() const {
      return std::sqrt(std::max(0.0, squares / weight - mean() * mean()));
    }
  };
  Moments pause;
  Moments same;
  Moments fresh;
  Moments step;
  for (std::size_t u = 0; u < gaps.size(); ++u) {
    const Gap& gap = gaps[u];
    if (gap.dt_s && !gap.clock_jump) {
      if (*gap.dt_s > 0.5) pause.add(cut[u], std::log(*gap.dt_s));
      const double off = std::abs(*gap.dt_s - model.interval_s);
      if (gap.slots == 1 && off < std::max(0.7 * model.interval_s, gap.whole_seconds ? 1.0 : 0.0)) {
        step.add(1 - cut[u], *gap.dt_s);
      }
    }
    if (gap.change) {
      const double c =
          std::clamp(*gap.change, model.same_mean - 2 * model.same_spread, model.new_mean + 3.0);
      same.add(1 - cut[u], c);
      fresh.add(cut[u], c);
    }
  }
  if (pause.weight > 5) {
    model.pause_mean = pause.mean();
    model.pause_spread = std::max(0.35, pause.spread());
  }
  if (step.weight > 10) {
    model.interval_s = std::max(0.05, step.mean());
    const double rounding = !gaps.empty() && gaps.front().whole_seconds ? 1.0 / 6.0 : 0.0;
    const double variance = step.spread() * step.spread() - rounding;
    model.spread_s = std::clamp(std::sqrt(std::max(0.0, variance)), 0.05 * model.interval_s,
                                0.3 * model.interval_s);
  }
  if (fresh.weight > 3) {
    model.same_mean = same.mean();
    model.same_spread = std::max(0.15, same.spread());
    model.new_mean = fresh.mean();
    model.new_spread = std::max(0.35, fresh.spread());
  }
}

GapScore score(const GapModel& model, const Gap& gap) {
  GapScore result;
  if (model.times && gap.dt_s && !gap.clock_jump) {
    result.within =
        std::log(within_density(model, *gap.dt_s, gap.whole_seconds, gap.slots) + 1e-12);
    result.between = std::log(between_density(model, *gap.dt_s, gap.whole_seconds) + 1e-12);
    result.restart = result.between;
    result.loose = std::log(log_even(std::max(*gap.dt_s, 0.5), 0.5, 2000) + 1e-9);
  }
  if (gap.settings_changed) {
    result.within -= 7;  // a series is shot with one setting
    result.between -= 3;
    result.restart -= 4;
    result.loose -= 1;
  }
  if (model.previews && gap.change) {
    const ChangeScore change = change_score(model, *gap.change);
    result.within += change.same;
    result.between += change.fresh;
    result.restart += log_mean(0.6, change.fresh, change.equal);
    result.loose += log_mean(0.5, change.fresh, change.same);
  }
  return result;
}

ChangeScore change_score(const GapModel& model, double change) {
  // Where series differ no more than neighbours in a series, previews say nothing.
  if (model.new_mean < model.same_mean + 0.3) return {};
  // Below the changes of a series lies what was shot twice; above those between series, more.
  const double low = model.same_mean - 2.5 * model.same_spread;
  if (change < low) return {std::log(0.01), std::log(2e-4), std::log(0.4)};
  const double c = std::clamp(change, low, model.new_mean + model.new_spread);
  const double same = 0.99 * normal(c, model.same_mean, model.same_spread);
  const double fresh = normal(c, model.new_mean, model.new_spread);
  const double odds =
      std::clamp(std::log((fresh + 1e-9) / (same + 1e-9)), -kMostPreviewOdds, kMostPreviewOdds);
  const double of_same = std::log(std::max({same, fresh * std::exp(-kMostPreviewOdds), 1e-9}));
  return {of_same, of_same + odds, of_same + std::log(0.6)};
}

double time_odds(const GapModel& model, double dt_s, bool whole_seconds) {
  return std::log(between_density(model, dt_s, whole_seconds) + 1e-12) -
         std::log(within_density(model, dt_s, whole_seconds, 1) + 1e-12);
}

}  // namespace trunnion::gather

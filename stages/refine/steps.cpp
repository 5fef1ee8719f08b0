#include "stages/refine/steps.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "core/angle.h"
#include "core/median.h"
#include "stages/refine/priors.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

constexpr double kTolerance_px = 1.0;         // level pixels, calibrated axis
constexpr double kNominalTolerance_px = 2.0;  // level pixels
constexpr int kLeastPoints = 60;              // for a claim about a ring
constexpr int kLeastMissed = 60;              // views: those of 20 points

std::vector<PairMatches> within(const RigModel& model, std::size_t ring,
                                const std::vector<PairMatches>& pairs) {
  std::vector<PairMatches> kept;
  for (const PairMatches& pair : pairs) {
    if (model.stations[pair.view_a].ring == ring && model.stations[pair.view_b].ring == ring) {
      kept.push_back(pair);
    }
  }
  return kept;
}

Support support_of_tracks(const RigModel& model, const RigValues& values, std::size_t ring,
                          const std::vector<Track>& tracks, double tolerance_px) {
  Support support;
  support.possible = static_cast<int>(tracks.size());
  for (const Track& track : tracks) support.missed += static_cast<int>(track.views.size());
  std::vector<int> seen(model.stations.size(), 0);
  for (const Track& track : triangulate(tracks, model, values, {.max_residual_px = tolerance_px})) {
    if (track.views.size() < 3) continue;
    ++support.points;
    support.placed += static_cast<int>(track.views.size());
    for (const TrackView& view : track.views) ++seen[view.view];
  }
  support.missed -= support.placed;
  int views = 0;
  int supported = 0;
  for (std::size_t v = 0; v < seen.size(); ++v) {
    if (model.stations[v].ring != ring) continue;
    ++views;
    supported += seen[v] >= 6 ? 1 : 0;
  }
  support.views = views > 0 ? static_cast<double>(supported) / views : 0.0;
  return support;
}

// On textured specimens the true step places 0.95 and more of the points. A factor near 1 has a
// rival, one station skipped, that fits almost as well: it must fit as the truth does.
bool clearly_better(double factor, const Support& given, const Support& found) {
  const bool near = factor > 0.76 && factor < 1.3;
  if (found.views < 2.0 / 3.0 || found.share() < (near ? 0.95 : 0.8)) return false;
  return near ? given.missed >= 6 * found.missed + kLeastMissed
              : 2 * given.missed >= 5 * found.missed + kLeastMissed;
}

class FactorSearch {
 public:
  FactorSearch(const CaptureInput& input, const std::vector<RigValues>& accounts,
               const std::vector<PairMatches>& pairs, const StartOf& start_of)
      : input_(input), start_of_(start_of) {
    for (std::size_t r = 0; r < input.model.rings.size(); ++r) {
      tracks_.push_back(thinned_tracks(long_tracks(input.model, r, pairs, input.positions)));
    }
    for (const RigValues& values : accounts) add_account(values);
  }

  // The factor that the images show for these rings; 1 where none is clear.
  [[nodiscard]] double best(const std::vector<std::size_t>& rings) {
    const Support given = by(rings, 1.0);
    if (given.possible < kLeastPoints || given.missed < kLeastMissed) return 1.0;
    const auto shown = clearly_shown(rings, given);
    const bool mostly_right = given.missed < given.placed / 3;
    if (shown || input_.calibrated || mostly_right) return shown.value_or(1.0);
    // The axis is not known either: those that go with the likeliest factors.
    constexpr std::size_t kStarts = 3;
    for (const double factor : likeliest(rings, kStarts)) {
      RigModel other = input_.model;
      for (const std::size_t ring : rings) other = with_factor(other, ring, factor);
      const RigValues values = start_of_(other);
      if (!any_axis_far(other, values)) add_account(values);
    }
    return clearly_shown(rings, by(rings, 1.0)).value_or(1.0);
  }

 private:
  static constexpr std::size_t kTracks = 400;  // of a ring; a hundred rigs are tried with them

  void add_account(RigValues values) {
    std::fill(values.angle.begin(), values.angle.end(), 0.0);
    accounts_.push_back(std::move(values));
  }
  void try_factors() {
    while (tried_.size() < accounts_.size()) {
      const RigValues& values = accounts_[tried_.size()];
      std::vector<std::vector<Support>> tried(factors_.size());
      for_each_in_turn(factors_.size(), [&](std::size_t k) {
        for (std::size_t r = 0; r < tracks_.size(); ++r) {
          tried[k].push_back(with(values, r, factors_[k]));
        }
      });
      tried_.push_back(std::move(tried));
    }
  }
  [[nodiscard]] Support with(const RigValues& values, std::size_t ring, double factor) const {
    return support_of_tracks(with_factor(input_.model, ring, factor), values, ring, tracks_[ring],
                             tolerance_of(input_));
  }
  // None where the files are not clearly worse.
  [[nodiscard]] std::optional<double> clearly_shown(const std::vector<std::size_t>& rings,
                                                    const Support& given) {
    try_factors();
    const double likely = likeliest(rings, 1).front();
    double factor = likely;
    Support found = by(rings, factor);
    for (int k = -10; k <= 10; ++k) {
      const double near = likely * (1.0 + 0.0035 * k);
      const Support support = by(rings, near);
      if (support.missed >= found.missed) continue;
      found = support;
      factor = near;
    }
    for (const double plain : simple()) {  // nobody sets 0.4987 of a step
      if (std::abs(plain - factor) > 0.04 * std::abs(factor)) continue;
      const Support support = by(rings, plain);
      if (100 * support.points < 97 * found.points) continue;
      found = support;
      factor = plain;
    }
    return clearly_better(factor, given, found) ? std::optional(factor) : std::nullopt;
  }

  // The factors that miss fewest views, apart from one another, the best one first.
  [[nodiscard]] std::vector<double> likeliest(const std::vector<std::size_t>& rings,
                                              std::size_t count) const {
    std::vector<int> missed(factors_.size());
    std::vector<std::size_t> order(factors_.size());
    for (std::size_t k = 0; k < factors_.size(); ++k) {
      missed[k] =
          best_of(rings, [&](std::size_t a, std::size_t r) { return tried_[a][k][r]; }).missed;
      order[k] = k;
    }
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return missed[a] < missed[b]; });
    std::vector<double> found;
    for (const std::size_t k : order) {
      const bool apart = std::all_of(found.begin(), found.end(), [&](double other) {
        return std::abs(other - factors_[k]) > 0.04 * std::abs(factors_[k]);
      });
      if (apart) found.push_back(factors_[k]);
      if (found.size() == count) break;
    }
    return found;
  }

  static std::vector<Track> thinned_tracks(std::vector<Track> tracks) {
    const std::size_t count = tracks.size();
    if (count <= kTracks) return tracks;
    for (std::size_t k = 0; k < kTracks; ++k) tracks[k] = tracks[k * count / kTracks];
    tracks.resize(kTracks);
    return tracks;
  }

  static std::vector<double> simple() {
    std::vector<double> factors;
    for (const double sign : {1.0, -1.0}) {
      for (const double factor :
           {1.0, 0.5, 2.0, 1.0 / 3.0, 3.0, 2.0 / 3.0, 1.5, 0.75, 4.0 / 3.0, 0.25, 4.0, 0.2, 5.0,
            0.8, 1.25, 0.9, 10.0 / 9.0, 1.2, 5.0 / 6.0}) {
        factors.push_back(sign * factor);
      }
    }
    return factors;
  }
  static std::vector<double> coarse() {
    std::vector<double> factors = simple();
    for (int k = -40; k <= 40; ++k) {
      for (const double sign : {-1.0, 1.0}) factors.push_back(sign * std::exp2(k / 20.0));
    }
    return factors;
  }
  [[nodiscard]] Support by(const std::vector<std::size_t>& rings, double factor) const {
    return best_of(rings,
                   [&](std::size_t a, std::size_t r) { return with(accounts_[a], r, factor); });
  }
  // The rig that fits it best counts.
  template <typename SupportOf>
  [[nodiscard]] Support best_of(const std::vector<std::size_t>& rings,
                                const SupportOf& support_of) const {
    Support best;
    for (std::size_t a = 0; a < accounts_.size(); ++a) {
      Support sum;
      sum.views = 1.0;
      for (const std::size_t ring : rings) {
        const Support one = support_of(a, ring);
        sum.points += one.points;
        sum.possible += one.possible;
        sum.placed += one.placed;
        sum.missed += one.missed;
        sum.views = std::min(sum.views, one.views);
      }
      if (best.possible == 0 || sum.missed < best.missed) best = sum;
    }
    return best;
  }

  const CaptureInput& input_;
  const StartOf& start_of_;
  const std::vector<double> factors_ = coarse();
  std::vector<std::vector<Track>> tracks_;  // of a ring
  std::vector<RigValues> accounts_;
  std::vector<std::vector<std::vector<Support>>> tried_;  // of an account, a factor, a ring
};

}  // namespace

double tolerance_of(const CaptureInput& input) {
  return (input.calibrated ? kTolerance_px : kNominalTolerance_px) * input.level_px;
}

std::vector<Track> long_tracks(const RigModel& model, std::size_t ring,
                               const std::vector<PairMatches>& pairs, const Positions& positions) {
  std::vector<Track> tracks = build_tracks(within(model, ring, pairs), positions);
  std::erase_if(tracks, [](const Track& track) { return track.views.size() < 3; });
  return tracks;
}

Support support_of(const RigModel& model, const RigValues& values, std::size_t ring,
                   const std::vector<PairMatches>& pairs, const Positions& positions,
                   double tolerance_px) {
  return support_of_tracks(model, values, ring, long_tracks(model, ring, pairs, positions),
                           tolerance_px);
}

double step_of(const RigModel& model, std::size_t ring, const std::vector<double>& angles) {
  std::vector<double> steps;
  std::optional<double> last;
  for (std::size_t v = 0; v < angles.size(); ++v) {
    if (model.stations[v].ring != ring) continue;
    if (last) steps.push_back(angles[v] - *last);
    last = angles[v];
  }
  return steps.empty() ? 0.0 : median_of(steps);
}

int rounds_of(const RigModel& model, std::size_t ring, double factor) {
  constexpr double kClose = 0.1;  // of a turn
  std::vector<double> angles;
  for (const StationModel& station : model.stations) angles.push_back(station.stage_angle);
  const auto stations =
      std::count_if(model.stations.begin(), model.stations.end(),
                    [ring](const StationModel& station) { return station.ring == ring; });
  const double turns =
      std::abs(static_cast<double>(stations) * factor * step_of(model, ring, angles) / (2.0 * kPi));
  return std::abs(turns - std::round(turns)) < kClose ? static_cast<int>(std::lround(turns)) : 0;
}

RigModel with_factor(const RigModel& model, std::size_t ring, double factor) {
  RigModel other = model;
  std::optional<double> first;
  for (StationModel& station : other.stations) {
    if (station.ring != ring) continue;
    if (!first) first = station.stage_angle;
    station.stage_angle = *first + factor * (station.stage_angle - *first);
  }
  return other;
}

std::vector<double> step_factors(const CaptureInput& input, const std::vector<RigValues>& accounts,
                                 const std::vector<PairMatches>& pairs, const StartOf& start_of) {
  FactorSearch search(input, accounts, pairs, start_of);
  const std::size_t rings = input.model.rings.size();
  std::vector<std::size_t> all(rings);
  for (std::size_t r = 0; r < rings; ++r) all[r] = r;
  // Together first: rings seen from low show least of their own step.
  const double common = search.best(all);
  if (common != 1.0 || rings == 1) return std::vector<double>(rings, common);
  std::vector<double> factors;
  for (std::size_t r = 0; r < rings; ++r) factors.push_back(search.best({r}));
  return factors;
}

}  // namespace trunnion::refine

// Whole groups of images in a wrong place: rings exchanged, another specimen.
#include <algorithm>
#include <cmath>
#include <map>

#include "core/angle.h"
#include "core/disjoint_sets.h"
#include "stages/refine/capture.h"
#include "stages/refine/turn.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

// Stations of each ring, in their order.
std::vector<std::vector<std::size_t>> stations_by_ring(const RigModel& model) {
  std::vector<std::vector<std::size_t>> rings(model.rings.size());
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    rings[model.stations[v].ring].push_back(v);
  }
  return rings;
}

int points_placed(const std::vector<Track>& tracks, const RigModel& model, const RigValues& values,
                  double tolerance_px) {
  const std::vector<Track> placed =
      triangulate(tracks, model, values, {.max_residual_px = tolerance_px});
  return static_cast<int>(std::count_if(
      placed.begin(), placed.end(), [](const Track& track) { return track.views.size() >= 3; }));
}

// With the rig that places most.
int most_points(const std::vector<RigValues>& accounts, const std::vector<Track>& tracks,
                const RigModel& model, double tolerance_px) {
  int most = 0;
  for (RigValues values : accounts) {
    std::fill(values.angle.begin(), values.angle.end(), 0.0);
    most = std::max(most, points_placed(tracks, model, values, tolerance_px));
  }
  return most;
}

std::vector<Track> some_long_tracks(const CaptureInput& input,
                                    const std::vector<PairMatches>& pairs) {
  constexpr std::size_t kTracks = 1000;
  std::vector<Track> tracks = all_long_tracks(pairs, input.positions);
  const std::size_t count = tracks.size();
  if (count <= kTracks) return tracks;
  for (std::size_t k = 0; k < kTracks; ++k) tracks[k] = tracks[k * count / kTracks];
  tracks.resize(kTracks);
  return tracks;
}

// The views as a graph: joined where they match, whatever the geometry, which a bump breaks, too.
class MatchGraph {
 public:
  MatchGraph(const CaptureInput& input, const std::vector<PairMatches>& pairs)
      : model_(input.model), strength_(model_.stations.size(), 0), sets_(model_.stations.size()) {
    for (const PairMatches& pair : pairs) {
      const auto fits = static_cast<int>(pair.matches.size());
      fits_[{pair.view_a, pair.view_b}] = fits;
      for (const std::size_t v : {pair.view_a, pair.view_b}) {
        strength_[v] = std::max(strength_[v], fits);
      }
    }
    for (const auto& [views, fits] : fits_) {
      if (fits >= least_of(views.first, views.second)) sets_.join(views.first, views.second);
    }
  }

  // Views that match others well, by the group they belong to.
  [[nodiscard]] std::map<std::size_t, std::vector<std::size_t>> groups() {
    std::map<std::size_t, std::vector<std::size_t>> groups;
    for (std::size_t v = 0; v < strength_.size(); ++v) {
      if (strength_[v] >= kStrong) groups[sets_.find(v)].push_back(v);
    }
    return groups;
  }

  // Views beside `others` that match too little to be in a group, and the largest group not at all.
  void add_neighbours(std::size_t largest, std::vector<std::size_t>& others) {
    const std::vector<std::size_t> sure = others;
    for (const std::vector<std::size_t>& ring : stations_by_ring(model_)) {
      for (std::size_t k = 0; k < ring.size(); ++k) {
        const std::size_t view = ring[k];
        const auto holds = [&](const std::vector<std::size_t>& list, std::size_t v) {
          return std::find(list.begin(), list.end(), v) != list.end();
        };
        const bool beside = holds(sure, ring[(k + 1) % ring.size()]) ||
                            holds(sure, ring[(k + ring.size() - 1) % ring.size()]);
        if (beside && !holds(sure, view) && sets_.find(view) != sets_.find(largest)) {
          others.push_back(view);
        }
      }
    }
  }

  // Neighbours in a ring, no further apart than usual there, that match others well and one another
  // not at all: one of them in the group, one in another.
  [[nodiscard]] int breaks(std::size_t group) {
    int count = 0;
    for (const std::vector<std::size_t>& ring : stations_by_ring(model_)) {
      std::vector<std::size_t> order = ring;
      std::stable_sort(order.begin(), order.end(),
                       [this](std::size_t a, std::size_t b) { return turn(a) < turn(b); });
      for (std::size_t k = 0; k < order.size(); ++k) {
        const std::size_t a = order[k];
        const std::size_t b = order[(k + 1) % order.size()];
        const double apart = std::remainder(turn(b) - turn(a), 2.0 * kPi);
        if (std::abs(apart) > 1.3 * 2.0 * kPi / static_cast<double>(order.size())) continue;
        if (strength_[a] < kStrong || strength_[b] < kStrong) continue;
        if ((sets_.find(a) == group) != (sets_.find(b) == group)) ++count;
      }
    }
    return count;
  }

 private:
  static constexpr int kStrong = 40;     // matches
  static constexpr int kChance = 20;     // what views of two specimens reach
  static constexpr double kWeak = 0.08;  // of what the weaker view has with another

  [[nodiscard]] int least_of(std::size_t a, std::size_t b) const {
    return std::max(kChance, static_cast<int>(kWeak * std::min(strength_[a], strength_[b])));
  }
  [[nodiscard]] double turn(std::size_t view) const {
    return std::remainder(model_.stations[view].stage_angle, 2.0 * kPi);
  }

  const RigModel& model_;
  std::map<std::pair<std::size_t, std::size_t>, int> fits_;
  std::vector<int> strength_;  // the most that fit of a view's pairs
  DisjointSets sets_;
};

}  // namespace

std::optional<RingExchange> find_exchanged_rings(
    const CaptureInput& input, const std::vector<PairMatches>& pairs,
    const std::vector<RigValues>& given,
    const std::function<std::vector<RigValues>(const RigModel&)>& accounts) {
  constexpr int kLeastPoints = 60;
  constexpr int kLeastMisfits = 20;
  const auto rings = stations_by_ring(input.model);
  if (rings.size() < 2) return std::nullopt;
  const std::vector<Track> tracks = some_long_tracks(input, pairs);
  const auto possible = static_cast<int>(tracks.size());
  const double tolerance = tolerance_of(input);
  const int as_given = most_points(given, tracks, input.model, tolerance);
  if (possible < kLeastPoints || possible - as_given < kLeastMisfits) return std::nullopt;
  std::optional<RingExchange> found;
  int most = 0;
  for (std::size_t a = 0; a < rings.size(); ++a) {
    for (std::size_t b = a + 1; b < rings.size(); ++b) {
      if (rings[a].size() != rings[b].size()) continue;
      RigModel model = input.model;
      for (std::size_t k = 0; k < rings[a].size(); ++k) {
        std::swap(model.stations[rings[a][k]], model.stations[rings[b][k]]);
      }
      const int points = most_points(accounts(model), tracks, model, tolerance);
      if (points <= most) continue;
      most = points;
      found = {a, b, std::move(model)};
    }
  }
  // As of a wrong step (steps.h): most points in one place, and three times as many missed as
  // given.
  const int misfits = possible - most;
  const bool overwhelming =
      5 * most >= 4 * possible && possible - as_given >= 3 * misfits + kLeastMisfits;
  return overwhelming ? found : std::nullopt;
}

std::vector<std::size_t> find_other_specimen(const CaptureInput& input,
                                             const std::vector<PairMatches>& pairs) {
  constexpr std::size_t kLeastViews = 2;
  constexpr int kLeastBreaks = 2;
  MatchGraph graph(input, pairs);
  const auto groups = graph.groups();
  const auto largest = std::max_element(
      groups.begin(), groups.end(),
      [](const auto& a, const auto& b) { return a.second.size() < b.second.size(); });
  std::vector<std::size_t> others;
  for (const auto& [group, views] : groups) {
    if (group == largest->first || views.size() < kLeastViews) continue;
    if (graph.breaks(group) < kLeastBreaks) continue;
    others.insert(others.end(), views.begin(), views.end());
  }
  graph.add_neighbours(largest->first, others);
  std::sort(others.begin(), others.end());
  return others;
}

}  // namespace trunnion::refine

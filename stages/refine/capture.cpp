#include "stages/refine/capture.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "core/angle.h"
#include "core/median.h"
#include "stages/refine/turn.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

// Matches of a view whose neighbours don't know it, with whichever views do.
void match_anywhere(const CaptureInput& input, std::size_t view, FeatureWindow& window,
                    std::vector<PairMatches>& pairs) {
  constexpr std::size_t kFeatures = 500;
  constexpr std::size_t kPartners = 4;
  constexpr std::size_t kLeast = 20;
  const std::size_t count = input.model.stations.size();
  std::vector<PairMatches> found_pairs(count);
  const auto features = window.of(view);
  for_each_in_turn(count, [&](std::size_t other) {
    if (other == view) return;
    PairMatches& pair = found_pairs[other];
    pair = {std::min(view, other), std::max(view, other), {}};
    const auto others = window.of(other);
    const bool first = view < other;
    pair.matches =
        match_free(first ? *features : *others, first ? *others : *features, kFeatures, 0.8);
  });
  std::stable_sort(found_pairs.begin(), found_pairs.end(),
                   [](const PairMatches& a, const PairMatches& b) {
                     return a.matches.size() > b.matches.size();
                   });
  for (std::size_t k = 0; k < std::min(kPartners, found_pairs.size()); ++k) {
    PairMatches& pair = found_pairs[k];
    if (pair.matches.size() < kLeast) break;
    const bool known = std::any_of(pairs.begin(), pairs.end(), [&](const PairMatches& p) {
      return p.view_a == pair.view_a && p.view_b == pair.view_b;
    });
    if (!known) pairs.push_back(std::move(pair));
  }
}

// Views that hardly match their neighbours, though they show as much detail as others.
std::vector<std::size_t> strangers(const CaptureInput& input,
                                   const std::vector<PairMatches>& pairs) {
  std::vector<double> matches(input.model.stations.size(), 0.0);
  std::vector<double> features;
  for (const PairMatches& pair : pairs) {
    matches[pair.view_a] += static_cast<double>(pair.matches.size());
    matches[pair.view_b] += static_cast<double>(pair.matches.size());
  }
  for (const auto& places : input.positions) features.push_back(static_cast<double>(places.size()));
  const double usual = median_of(matches);
  const double usual_features = median_of(features);
  std::vector<std::size_t> found_views;
  for (std::size_t v = 0; v < matches.size(); ++v) {
    if (matches[v] < 0.35 * usual && features[v] > 0.4 * usual_features) found_views.push_back(v);
  }
  return found_views;
}

class PlaceSearch {
 public:
  PlaceSearch(const CaptureInput& input, const std::vector<PairMatches>& pairs)
      : input_(input),
        model_(input.model),
        values_(input.values),
        tracks_(all_long_tracks(pairs, input.positions)),
        of_view_(model_.stations.size()),
        limit_px_(1.5 * tolerance_of(input)) {
    std::fill(values_.angle.begin(), values_.angle.end(), 0.0);
    for (std::size_t t = 0; t < tracks_.size(); ++t) {
      for (const TrackView& seen : tracks_[t].views) of_view_[seen.view].push_back(t);
    }
  }

  std::vector<Place> run() {
    std::vector<Place> places;
    std::set<std::size_t> moved_views;
    const std::size_t most = std::max<std::size_t>(2, model_.stations.size() / 4);
    while (places.size() < most) {
      std::vector<Place> claims(model_.stations.size());
      for_each_in_turn(claims.size(), [&](std::size_t v) {
        if (!moved_views.contains(v)) claims[v] = claim(v);
      });
      const auto strongest = std::max_element(
          claims.begin(), claims.end(),
          [](const Place& a, const Place& b) { return a.points - a.given < b.points - b.given; });
      if (strongest == claims.end() || strongest->points == 0) break;
      StationModel& station = model_.stations[strongest->view];
      station.ring = strongest->ring;
      station.axis = model_.rings[strongest->ring].axis;
      station.stage_angle = strongest->angle;
      moved_views.insert(strongest->view);
      places.push_back(*strongest);
    }
    std::erase_if(places, [&](Place& place) { return acquitted(place); });
    return places;
  }

 private:
  [[nodiscard]] std::vector<Correspondence> correspondences_of(std::size_t view) const {
    std::vector<Correspondence> correspondences;
    for (const std::size_t t : of_view_[view]) {
      const Track& track = tracks_[t];
      const auto here = std::find_if(track.views.begin(), track.views.end(),
                                     [&](const TrackView& seen) { return seen.view == view; });
      const auto position = placed_by(
          track, model_, values_, [view](std::size_t v) { return v != view; },
          tolerance_of(input_));
      if (position) correspondences.push_back({*position, here->at_px, view});
    }
    return correspondences;
  }

  // An empty claim where the view stands where it is given.
  [[nodiscard]] Place claim(std::size_t view) const {
    constexpr std::size_t kLeastCorrespondences = 12;
    const std::vector<Correspondence> correspondences = correspondences_of(view);
    if (correspondences.size() < kLeastCorrespondences) return {};
    const int given = found_at(model_, values_, {view}, 0.0, correspondences, limit_px_);
    if (4 * given > 3 * static_cast<int>(correspondences.size())) return {};
    Place best;
    RigModel model = model_;
    for (std::size_t ring = 0; ring < model.rings.size(); ++ring) {
      model.stations[view].ring = ring;
      model.stations[view].axis = model.rings[ring].axis;
      const Turn turn = best_turn(model, values_, {view}, correspondences, limit_px_);
      if (turn.points <= best.points) continue;
      best = {view, ring, model_.stations[view].stage_angle + turn.correction, turn.points, given};
    }
    const double least = std::max(5.0 * model_.stations[view].sigma_angle, radians(0.5));
    const bool moves = best.ring != model_.stations[view].ring ||
                       std::abs(best.angle - model_.stations[view].stage_angle) >= least;
    const bool enough = best.points >= 2 * given + 6 &&
                        5 * best.points >= 2 * static_cast<int>(correspondences.size());
    return moves && enough ? best : Place{};
  }

  // With all others in their places, the given angle may turn out to fit as well.
  bool acquitted(Place& place) {
    const std::vector<Correspondence> correspondences = correspondences_of(place.view);
    const StationModel moved_station = model_.stations[place.view];
    const int there = found_at(model_, values_, {place.view}, 0.0, correspondences, limit_px_);
    model_.stations[place.view] = input_.model.stations[place.view];
    place.given = found_at(model_, values_, {place.view}, 0.0, correspondences, limit_px_);
    if (10 * place.given >= 8 * there) return true;  // and stays there
    model_.stations[place.view] = moved_station;
    place.points = there;
    return false;
  }

  const CaptureInput& input_;
  RigModel model_;
  RigValues values_;
  std::vector<Track> tracks_;
  std::vector<std::vector<std::size_t>> of_view_;
  double limit_px_;
};

}  // namespace

std::vector<Place> find_places(const CaptureInput& input, std::vector<PairMatches>& pairs) {
  FeatureWindow window(input.features, 64);
  for (const std::size_t view : strangers(input, pairs)) {
    match_anywhere(input, view, window, pairs);
  }
  return PlaceSearch(input, pairs).run();
}

std::optional<Jump> take_common_jump(const RigModel& model, std::vector<Place>& places) {
  constexpr std::size_t kLeast = 3;
  constexpr double kAlike = 0.15;  // of the correction: the rig that measures it is bent
  for (std::size_t ring = 0; ring < model.rings.size(); ++ring) {
    const auto within = [&](const Place& place) {
      return place.ring == ring && model.stations[place.view].ring == ring;
    };
    std::vector<double> corrections;
    std::size_t first = model.stations.size();
    std::size_t last = 0;
    int points = 0;
    for (const Place& place : places) {
      if (!within(place)) continue;
      corrections.push_back(
          std::remainder(place.angle - model.stations[place.view].stage_angle, 2.0 * kPi));
      first = std::min(first, place.view);
      last = std::max(last, place.view);
      points += place.points;
    }
    if (corrections.size() < kLeast) continue;
    const double correction = median_of(corrections);
    const bool alike = std::all_of(corrections.begin(), corrections.end(), [&](double c) {
      return std::abs(c - correction) < kAlike * std::abs(correction);
    });
    if (!alike) continue;
    const auto views = [&](std::size_t from, std::size_t to) {
      std::size_t count = 0;
      for (std::size_t v = from; v < to; ++v) count += model.stations[v].ring == ring ? 1U : 0U;
      return count;
    };
    const auto most_of = [&](std::size_t from, std::size_t to) {
      return 4 * corrections.size() >= 3 * views(from, to);
    };
    std::size_t behind = last + 1;
    while (behind < model.stations.size() && model.stations[behind].ring != ring) ++behind;
    std::optional<Jump> jump;
    if (most_of(first, model.stations.size())) {
      jump = Jump{first, correction, points};
    } else if (views(0, first) == 0 && behind < model.stations.size() && most_of(0, behind)) {
      // Those before stand away from those behind; a ring counts from its first station.
      jump = Jump{behind, -correction, points};
    }
    if (!jump) continue;
    std::erase_if(places, within);
    return jump;
  }
  return std::nullopt;
}

bool same_image(const ImageFeatures& a, const ImageFeatures& b) {
  constexpr std::size_t kFeatures = 400;
  const std::vector<Match> matches = match_free(a, b, kFeatures, 0.8);
  std::size_t still = 0;
  for (const Match& match : matches) {
    const Feature& p = a.points[static_cast<std::size_t>(match.a)];
    const Feature& q = b.points[static_cast<std::size_t>(match.b)];
    const double moved_px = std::hypot(p.x_px - q.x_px, p.y_px - q.y_px);
    still += moved_px < a.level_scale ? 1 : 0;
  }
  const std::size_t possible = std::min({kFeatures, a.points.size(), b.points.size()});
  return still >= 20 && 3 * still >= 2 * matches.size() && 2 * still >= possible;
}

}  // namespace trunnion::refine

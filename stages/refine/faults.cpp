#include "stages/refine/faults.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "core/angle.h"
#include "core/median.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

// Share of a pair's matches within 3 sigma of their epipolar lines.
double fitting_share(const RigModel& model, const RigValues& values, const PairMatches& pair,
                     const Positions& positions, double sigma_px) {
  const Eigen::Matrix3d F = fundamental_of(model, values, pair.view_a, pair.view_b);
  int good = 0;
  for (const Match& match : pair.matches) {
    const double d = sampson_distance(F, positions[pair.view_a][static_cast<std::size_t>(match.a)],
                                      positions[pair.view_b][static_cast<std::size_t>(match.b)]);
    good += std::abs(d) < 3.0 * sigma_px ? 1 : 0;
  }
  return pair.matches.empty()
             ? 1.0
             : static_cast<double>(good) / static_cast<double>(pair.matches.size());
}

// A place in space that the other views agree on, and where the view in question saw it.
struct Sight {
  Eigen::Vector3d position_mm;
  Eigen::Vector2d at_px;
};

// `tracks`: those that `view` sees.
std::vector<Sight> sights_of(const RigModel& model, const RigValues& values,
                             const std::vector<const Track*>& tracks, std::size_t view,
                             double sigma_px) {
  std::vector<Track> others;
  std::vector<Eigen::Vector2d> seen;
  for (const Track* seen_here : tracks) {
    const Track& track = *seen_here;
    const auto here = std::find_if(track.views.begin(), track.views.end(),
                                   [&](const TrackView& v) { return v.view == view; });
    if (here == track.views.end() || track.views.size() < 3) continue;
    Track rest;
    for (const TrackView& v : track.views) {
      if (v.view != view) rest.views.push_back(v);
    }
    const std::vector<Track> placed =
        triangulate({rest}, model, values, {.max_residual_px = 4.0 * sigma_px});
    if (placed.empty()) continue;
    others.push_back(placed[0]);
    seen.push_back(here->at_px);
  }
  std::vector<Sight> sights;
  for (std::size_t i = 0; i < others.size(); ++i) {
    sights.push_back({others[i].position_mm, seen[i]});
  }
  return sights;
}

int fitting_at(const RigModel& model, RigValues values, std::size_t view, double correction,
               const std::vector<Sight>& sights, double limit_px) {
  values.angle[view] = correction;
  const Projection34 P = projection_matrix(camera_of(model, values), pose_of(model, values, view));
  int good = 0;
  for (const Sight& sight : sights) {
    const Eigen::Vector2d at = (P * sight.position_mm.homogeneous()).hnormalized();
    good += (at - sight.at_px).norm() < limit_px ? 1 : 0;
  }
  return good;
}

// Views before which the specimen may have moved, sorted: between near pairs that fit badly. Where
// there are many, it is no bump; the worst are tried, each of which takes a fit of the whole set.
std::vector<std::size_t> bump_candidates(const RigModel& model,
                                         const std::vector<PairMatches>& pairs,
                                         const std::vector<double>& shares) {
  constexpr std::size_t kMost = 8;
  // Below this share of the median a pair fits badly. Set by hand together with the simulated bumps
  // of tests/stages/refine/simulated_test.cpp; no published source.
  constexpr double kBadShare = 0.92;
  const double usual = median_of(shares);
  std::map<std::size_t, double> worst;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    const auto [a, b] = std::pair(pairs[i].view_a, pairs[i].view_b);
    if (b > a + 2 || model.stations[a].ring != model.stations[b].ring) continue;
    if (shares[i] >= kBadShare * usual) continue;
    for (std::size_t k = a + 1; k <= b; ++k) {
      const auto [at, added] = worst.try_emplace(k, shares[i]);
      if (!added) at->second = std::min(at->second, shares[i]);
    }
  }
  std::vector<std::pair<double, std::size_t>> order;
  for (const auto& [view, share] : worst) order.emplace_back(share, view);
  std::sort(order.begin(), order.end());
  if (order.size() > kMost) order.resize(kMost);
  std::vector<std::size_t> candidates;
  for (const auto& [share, view] : order) candidates.push_back(view);
  std::sort(candidates.begin(), candidates.end());
  return candidates;
}

}  // namespace

RigModel turned_backwards(const RigModel& model) {
  RigModel reversed = model;
  for (StationModel& station : reversed.stations) station.stage_angle = -station.stage_angle;
  return reversed;
}

std::optional<Bump> find_bump(const RigModel& model, const StartResult& start,
                              const std::vector<PairMatches>& pairs, const Positions& positions,
                              double sigma_px) {
  std::vector<double> shares;
  for (const PairMatches& pair : pairs) {
    shares.push_back(fitting_share(model, start.values, pair, positions, sigma_px));
  }
  const std::vector<std::size_t> candidates = bump_candidates(model, pairs, shares);
  std::vector<Bump> bumps(candidates.size());
  std::vector<double> costs(candidates.size());
  for_each_in_turn(candidates.size(), [&](std::size_t i) {
    RigModel bumped = model;
    for (std::size_t v = candidates[i]; v < bumped.stations.size(); ++v) {
      bumped.stations[v].bumped = true;
    }
    StartOptions options;
    options.sigma_px = sigma_px;
    options.free_mount = true;
    options.widths = {100.0, 30.0, 8.0, 2.0};
    StartResult fit = start_from_matches(bumped, zero_values(bumped), pairs, positions, options);
    costs[i] = fit.cost;
    bumps[i] = {candidates[i], std::move(bumped), std::move(fit.values)};
  });
  std::optional<Bump> best;
  // Six parameters more must buy far more than chance would.
  double least = std::min(0.93 * start.cost, start.cost - 50.0);
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    if (costs[i] >= least) continue;
    least = costs[i];
    best = bumps[i];
  }
  return best;
}

std::vector<WrongAngle> find_wrong_angles(const RigModel& model, const RigValues& values,
                                          const std::vector<PairMatches>& pairs,
                                          const Positions& positions, double sigma_px) {
  RigValues told = values;
  std::fill(told.angle.begin(), told.angle.end(), 0.0);
  const std::vector<Track> tracks = build_tracks(pairs, positions);
  std::vector<std::vector<const Track*>> seen_by(model.stations.size());
  for (const Track& track : tracks) {
    for (const TrackView& seen : track.views) seen_by[seen.view].push_back(&track);
  }
  const double limit_px = 4.0 * sigma_px;
  std::vector<WrongAngle> found;
  for (std::size_t view = 0; view < model.stations.size(); ++view) {
    const std::vector<Sight> sights = sights_of(model, told, seen_by[view], view, sigma_px);
    if (sights.size() < 15) continue;
    const int as_told = fitting_at(model, told, view, 0.0, sights, limit_px);
    if (2 * as_told > static_cast<int>(sights.size())) continue;
    WrongAngle best{view, 0.0, as_told};
    // Steps of a twentieth of a degree move a point at the edge of the specimen by a few pixels.
    const int steps = 3600;
    for (int k = -steps; k <= steps; ++k) {
      const double correction = kPi * k / steps;
      const int good = fitting_at(model, told, view, correction, sights, limit_px);
      if (good > best.points) best = {view, correction, good};
    }
    const double least = std::max(5.0 * model.stations[view].sigma_angle, radians(0.2));
    if (std::abs(best.correction) < least || best.points < 2 * as_told ||
        3 * best.points < static_cast<int>(sights.size())) {
      continue;
    }
    found.push_back(best);
  }
  return found;
}

}  // namespace trunnion::refine

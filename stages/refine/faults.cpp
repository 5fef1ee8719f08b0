#include "stages/refine/faults.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

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

// Views before which the specimen may have moved, sorted: between near pairs that fit badly. Where
// there are many, it is no bump; the worst are tried, each of which takes a fit of the whole set.
std::vector<std::size_t> bump_candidates(const RigModel& model,
                                         const std::vector<PairMatches>& pairs,
                                         const std::vector<double>& shares) {
  constexpr std::size_t kMost = 8;
  const double usual = median_of(shares);
  std::map<std::size_t, double> worst;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    const auto [a, b] = std::pair(pairs[i].view_a, pairs[i].view_b);
    if (b > a + 2 || model.stations[a].ring != model.stations[b].ring) continue;
    if (shares[i] >= 0.92 * usual) continue;
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

}  // namespace trunnion::refine

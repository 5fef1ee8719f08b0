#include "stages/refine/turn.h"

#include <algorithm>
#include <cmath>

#include "core/angle.h"

namespace trunnion::refine {
namespace {

int found(const std::vector<Projection34>& P, const std::vector<Correspondence>& correspondences,
          double limit_px) {
  int good = 0;
  for (const Correspondence& correspondence : correspondences) {
    const Eigen::Vector2d at =
        (P[correspondence.view] * correspondence.position_mm.homogeneous()).hnormalized();
    good += (at - correspondence.at_px).squaredNorm() < limit_px * limit_px ? 1 : 0;
  }
  return good;
}

}  // namespace

int found_at(const RigModel& model, RigValues values, const std::set<std::size_t>& views,
             double correction, const std::vector<Correspondence>& correspondences,
             double limit_px) {
  std::vector<Projection34> P(model.stations.size());
  const Camera camera = camera_of(model, values);
  for (const std::size_t v : views) {
    values.angle[v] += correction;
    P[v] = projection_matrix(camera, pose_of(model, values, v));
  }
  return found(P, correspondences, limit_px);
}

Turn best_turn(const RigModel& model, const RigValues& values, const std::set<std::size_t>& views,
               const std::vector<Correspondence>& correspondences, double limit_px) {
  Turn best;
  for (int k = -360; k < 360; ++k) {
    const double correction = kPi * k / 360.0;
    const int points = found_at(model, values, views, correction, correspondences, limit_px);
    if (points > best.points) best = {correction, points};
  }
  const double coarse = best.correction;
  // The middle of the best: many corrections find equally many.
  double sum = 0;
  int equal = 0;
  for (int k = -20; k <= 20; ++k) {
    const double correction = coarse + radians(0.05) * k;
    const int points = found_at(model, values, views, correction, correspondences, 0.5 * limit_px);
    if (k == -20 || points > best.points) {
      best.points = points;
      sum = 0;
      equal = 0;
    }
    if (points < best.points) continue;
    sum += correction;
    ++equal;
  }
  best.correction = sum / equal;
  best.points = found_at(model, values, views, best.correction, correspondences, limit_px);
  return best;
}

std::optional<Eigen::Vector3d> placed_by(const Track& track, const RigModel& model,
                                         const RigValues& values,
                                         const std::function<bool(std::size_t)>& serves,
                                         double tolerance_px) {
  Track rest;
  for (const TrackView& seen : track.views) {
    if (serves(seen.view)) rest.views.push_back(seen);
  }
  if (rest.views.size() < 2) return std::nullopt;
  const std::size_t wanted = rest.views.size();
  const std::vector<Track> placed =
      triangulate({rest}, model, values, {.max_residual_px = tolerance_px});
  // Two of many that happen to agree place nothing.
  if (placed.empty() || 2 * placed[0].views.size() < wanted + 1) return std::nullopt;
  return placed[0].position_mm;
}

std::vector<Track> all_long_tracks(const std::vector<PairMatches>& pairs,
                                   const Positions& positions) {
  std::vector<Track> tracks = build_tracks(pairs, positions);
  std::erase_if(tracks, [](const Track& track) { return track.views.size() < 3; });
  return tracks;
}

}  // namespace trunnion::refine

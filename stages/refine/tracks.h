// Refine, tracks: matches chained to points seen in two views or more, and their first positions.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "stages/refine/match.h"
#include "stages/refine/rig.h"

namespace trunnion::refine {

struct TrackView {
  std::size_t view = 0;
  int feature = 0;
  Eigen::Vector2d at_px = Eigen::Vector2d::Zero();  // ideal camera
};

struct Track {
  std::vector<TrackView> views;  // by view
  Eigen::Vector3d position_mm = Eigen::Vector3d::Zero();
};

// Chains matches; a chain that holds two features of one view is a contradiction and is dropped.
std::vector<Track> build_tracks(const std::vector<PairMatches>& pairs,
                                const std::vector<std::vector<Eigen::Vector2d>>& positions);

struct TriangulateOptions {
  double max_residual_px = 4.0;
  double min_angle = 0.035;  // rad between the outermost rays, 2 degrees
};

// Positions every track by linear triangulation with Gauss-Newton steps, drops views that
// contradict the rest, then tracks that keep fewer than two views, lie behind a camera or are seen
// under too small an angle.
std::vector<Track> triangulate(std::vector<Track> tracks, const RigModel& model,
                               const RigValues& values, const TriangulateOptions& options);

}  // namespace trunnion::refine

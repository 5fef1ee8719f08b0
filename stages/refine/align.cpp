#include "stages/refine/align.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <set>

#include "stages/refine/affine_patch.h"
#include "stages/refine/match.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

std::size_t middle_of(const Track& track) {
  return track.views.size() / 2;
}

std::size_t middle_view(const Track& track) {
  return track.views[middle_of(track)].view;
}

bool align(Track& track, FeatureWindow& window, const Camera& camera, const AlignOptions& options) {
  const std::size_t middle = middle_of(track);
  const TrackView& reference = track.views[middle];
  const auto held = window.of(reference.view);
  const ImageFeatures& view = *held;
  const Feature& blob = view.points[static_cast<std::size_t>(reference.feature)];
  if (view.level.empty()) return true;
  const cv::Point2d point = view.to_level(blob.x_px, blob.y_px);
  const int half = std::clamp(
      static_cast<int>(options.reach * static_cast<double>(blob.scale_px) / view.level_scale),
      options.least_half_px, options.most_half_px);
  const AffinePatch patch(view.level, point, half);
  if (!patch.usable()) return false;
  std::vector<TrackView> kept;
  for (std::size_t i = 0; i < track.views.size(); ++i) {
    TrackView seen = track.views[i];
    const auto held_other = window.of(seen.view);
    const ImageFeatures& other = *held_other;
    if (i != middle && !other.level.empty()) {
      const Feature& found = other.points[static_cast<std::size_t>(seen.feature)];
      const cv::Point2d at = other.to_level(found.x_px, found.y_px);
      const auto fit = patch.find(other.level, at, options.max_iterations);
      if (!fit || fit->correlation < options.least_correlation) continue;
      if (cv::norm(fit->at - at) > options.most_move_px) continue;
      const cv::Point2d image = other.from_level(fit->at);
      seen.at_px = ideal_position({image.x, image.y}, camera);
    }
    kept.push_back(seen);
  }
  track.views = std::move(kept);
  return track.views.size() >= 2;
}

// Views that tracks of one middle view see at most: a point is followed through dozens of stations
// where these stand close, and a window of fewer would read each of them again for every track.
std::size_t views_at_once(const std::vector<Track>& tracks, const std::vector<std::size_t>& order) {
  constexpr std::size_t kMost = 128;
  constexpr std::size_t kBeside = 4;  // threads don't all work on the same middle view
  std::size_t most = FeatureWindow::kViews;
  std::set<std::size_t> seen;
  for (std::size_t k = 0; k < order.size(); ++k) {
    const Track& track = tracks[order[k]];
    for (const TrackView& view : track.views) seen.insert(view.view);
    const bool last =
        k + 1 == order.size() || middle_view(tracks[order[k + 1]]) != middle_view(track);
    if (!last) continue;
    most = std::max(most, seen.size() + kBeside);
    seen.clear();
  }
  return std::min(most, kMost);
}

}  // namespace

std::vector<Track> align_tracks(std::vector<Track> tracks, const FeatureReader& features,
                                const Camera& camera, const AlignOptions& options) {
  // By their middle views, whose neighbours are then in the window.
  std::vector<std::size_t> order(tracks.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return middle_view(tracks[a]) < middle_view(tracks[b]);
  });
  FeatureWindow window(features, views_at_once(tracks, order));
  for_each_in_turn(order.size(), [&](std::size_t k) {
    Track& track = tracks[order[k]];
    if (!align(track, window, camera, options)) track.views.clear();
  });
  std::erase_if(tracks, [](const Track& track) { return track.views.empty(); });
  return tracks;
}

}  // namespace trunnion::refine

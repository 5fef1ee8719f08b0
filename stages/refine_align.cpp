#include "stages/refine_align.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>
#include <opencv2/video/tracking.hpp>

#include "stages/refine_match.h"
#include "stages/refine_window.h"

namespace trunnion::refining {
namespace {

constexpr float kDarkest = 5.0F;  // of 255, added before the logarithm: noise of the dark

struct Patch {
  cv::Mat light;    // CV_32F, logarithm
  cv::Mat inside;   // CV_8U, 255 on the specimen
  cv::Point first;  // its top-left pixel in the level
};

// Empty where it does not lie wholly in the level.
Patch patch_at(const cv::Mat& level, const cv::Point2d& at, int half) {
  Patch patch;
  patch.first = {static_cast<int>(std::lround(at.x)) - half,
                 static_cast<int>(std::lround(at.y)) - half};
  const cv::Rect area(patch.first, cv::Size(2 * half + 1, 2 * half + 1));
  if ((area & cv::Rect({0, 0}, level.size())) != area) return patch;
  const cv::Mat values = level(area);
  values.convertTo(patch.light, CV_32F);
  patch.light += kDarkest;
  cv::log(patch.light, patch.light);
  patch.inside = (values & 1) > 0;
  return patch;
}

// Where the middle view's point lies in the other level; false where the two don't agree.
bool aligned(const Patch& middle, const cv::Point2d& point, const cv::Mat& level, cv::Point2d& at,
             const AlignOptions& options) {
  constexpr int kRoom = 6;
  const int half = middle.light.cols / 2;
  const Patch other = patch_at(level, at, half + kRoom);
  if (other.light.empty()) return false;
  const cv::Point2d from(point.x - middle.first.x, point.y - middle.first.y);
  const cv::Point2d to(at.x - other.first.x, at.y - other.first.y);
  cv::Matx23f map(1, 0, static_cast<float>(to.x - from.x), 0, 1, static_cast<float>(to.y - from.y));
  cv::Mat warp(map);
  double correlation = -1.0;
  try {
    correlation =
        cv::findTransformECC(middle.light, other.light, warp, cv::MOTION_AFFINE,
                             cv::TermCriteria(cv::TermCriteria::COUNT + cv::TermCriteria::EPS,
                                              options.max_iterations, 1e-4),
                             other.inside, 1);
  } catch (const cv::Exception&) {
    return false;  // it did not converge
  }
  const auto w = [&warp](int row, int column) {
    return static_cast<double>(warp.at<float>(row, column));
  };
  const cv::Point2d found(w(0, 0) * from.x + w(0, 1) * from.y + w(0, 2) + other.first.x,
                          w(1, 0) * from.x + w(1, 1) * from.y + w(1, 2) + other.first.y);
  const bool good =
      correlation >= options.least_correlation && cv::norm(found - at) <= options.most_move_px;
  at = found;
  return good;
}

std::size_t middle_of(const Track& track) {
  return track.views.size() / 2;
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
  const Patch patch = patch_at(view.level, point, half);
  if (patch.light.empty()) return false;
  std::vector<TrackView> kept;
  for (std::size_t i = 0; i < track.views.size(); ++i) {
    TrackView seen = track.views[i];
    const auto held_other = window.of(seen.view);
    const ImageFeatures& other = *held_other;
    if (i != middle && !other.level.empty()) {
      const Feature& found = other.points[static_cast<std::size_t>(seen.feature)];
      cv::Point2d at = other.to_level(found.x_px, found.y_px);
      if (!aligned(patch, point, other.level, at, options)) continue;
      const cv::Point2d image = other.from_level(at);
      seen.at_px = ideal_position({image.x, image.y}, camera);
    }
    kept.push_back(seen);
  }
  track.views = std::move(kept);
  return track.views.size() >= 2;
}

}  // namespace

std::vector<Track> align_tracks(std::vector<Track> tracks, const FeatureReader& features,
                                const Camera& camera, const AlignOptions& options) {
  // By their middle views, whose neighbours are then in the window.
  std::vector<std::size_t> order(tracks.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  const auto view_of = [&tracks](std::size_t i) {
    return tracks[i].views[middle_of(tracks[i])].view;
  };
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return view_of(a) < view_of(b); });
  FeatureWindow window(features);
  for_each_in_turn(order.size(), [&](std::size_t k) {
    Track& track = tracks[order[k]];
    if (!align(track, window, camera, options)) track.views.clear();
  });
  std::erase_if(tracks, [](const Track& track) { return track.views.empty(); });
  return tracks;
}

}  // namespace trunnion::refining

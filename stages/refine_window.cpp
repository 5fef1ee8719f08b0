#include "stages/refine_window.h"

#include <algorithm>

namespace trunnion::refining {

ViewPlaces places_of(const ImageFeatures& features) {
  ViewPlaces places;
  places.reserve(features.points.size());
  for (const Feature& point : features.points) {
    places.push_back({point.x_px, point.y_px, point.rgb});
  }
  return places;
}

std::shared_ptr<const ImageFeatures> FeatureWindow::of(std::size_t view) {
  const auto found = std::find_if(held_.begin(), held_.end(),
                                  [view](const auto& held) { return held.first == view; });
  if (found != held_.end()) {
    held_.splice(held_.begin(), held_, found);
  } else {
    held_.emplace_front(view, std::make_shared<const ImageFeatures>(read_(view)));
    if (held_.size() > kViews) held_.pop_back();
  }
  return held_.front().second;
}

}  // namespace trunnion::refining

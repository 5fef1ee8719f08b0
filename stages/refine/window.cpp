#include "stages/refine/window.h"

#include <tbb/parallel_pipeline.h>

#include <algorithm>

#include "core/threads.h"

namespace trunnion::refine {

ViewPlaces places_of(const ImageFeatures& features) {
  ViewPlaces places;
  places.reserve(features.points.size());
  for (const Feature& point : features.points) {
    places.push_back({point.x_px, point.y_px, point.rgb});
  }
  return places;
}

std::shared_ptr<const ImageFeatures> FeatureWindow::of(std::size_t view) {
  const std::scoped_lock lock(mutex_);
  const auto found = std::find_if(held_.begin(), held_.end(),
                                  [view](const auto& held) { return held.first == view; });
  if (found != held_.end()) {
    held_.splice(held_.begin(), held_, found);
  } else {
    held_.emplace_front(view, std::make_shared<const ImageFeatures>(read_(view)));
    if (held_.size() > views_) held_.pop_back();
  }
  return held_.front().second;
}

void for_each_in_turn(std::size_t count, const std::function<void(std::size_t)>& each) {
  using tbb::filter_mode;
  std::size_t next = 0;
  const auto begin = [&](tbb::flow_control& control) {
    if (next < count) return next++;
    control.stop();
    return std::size_t{0};
  };
  tbb::parallel_pipeline(threads_at_once(),
                         tbb::make_filter<void, std::size_t>(filter_mode::serial_in_order, begin) &
                             tbb::make_filter<std::size_t, void>(filter_mode::parallel, each));
}

}  // namespace trunnion::refine

// Refine, features while matching: only neighbours are matched, so the features of a few views are
// in memory at once, however many there are. Of every view only the places stay.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <list>
#include <memory>
#include <mutex>
#include <utility>
#include <vector>

#include "stages/refine/refine.h"

namespace trunnion::refine {

// What is left of a feature once it is matched.
struct FeaturePlace {
  float x_px = 0;
  float y_px = 0;
  std::uint32_t rgb = 0;
};
using ViewPlaces = std::vector<FeaturePlace>;

ViewPlaces places_of(const ImageFeatures& features);

// The features of the views asked for last. Pairs come sorted by their first view: its neighbours
// in the ring and the nearest views of the other rings move on with it. Any thread may ask.
class FeatureWindow {
 public:
  // 4,000 features and 2 megapixels each: 2.6 MB a view.
  static constexpr std::size_t kViews = 32;

  explicit FeatureWindow(const FeatureReader& read, std::size_t views = kViews)
      : read_(read), views_(views) {}
  [[nodiscard]] std::shared_ptr<const ImageFeatures> of(std::size_t view);

 private:
  const FeatureReader& read_;
  std::size_t views_;
  std::mutex mutex_;
  std::list<std::pair<std::size_t, std::shared_ptr<const ImageFeatures>>> held_;  // latest first
};

// Calls each(0) to each(count - 1) on all threads, begun in this order, so that they stay close to
// one another in the window.
void for_each_in_turn(std::size_t count, const std::function<void(std::size_t)>& each);

}  // namespace trunnion::refine

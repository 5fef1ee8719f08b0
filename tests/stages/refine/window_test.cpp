#include "stages/refine/window.h"

#include <gtest/gtest.h>

namespace trunnion::refine {
namespace window_test {

// 500 stations of one ring, each matched with the three behind and, at the closing, the first ones.
TEST(FeatureWindow, ReadsEachViewAboutOnceAndHoldsFew) {
  constexpr std::size_t kViews = 500;
  std::vector<std::weak_ptr<const ImageFeatures>> given(kViews);
  std::size_t reads = 0;
  const FeatureReader read = [&](std::size_t view) {
    ++reads;
    ImageFeatures features;
    features.width_px = static_cast<int>(view);
    return features;
  };
  FeatureWindow window(read);
  std::size_t most = 0;
  const auto ask = [&](std::size_t view) {
    const auto features = window.of(view);
    EXPECT_EQ(features->width_px, static_cast<int>(view));
    given[view] = features;
    std::size_t alive = 0;
    for (const auto& each : given) alive += each.expired() ? 0U : 1U;
    most = std::max(most, alive);
  };
  for (std::size_t a = 0; a < kViews; ++a) {
    for (std::size_t k = 1; k <= 3; ++k) {
      if (a + k < kViews) {
        ask(a);
        ask(a + k);
      }
      if (a < k) {
        ask(a);
        ask(kViews - k + a);
      }
    }
  }
  EXPECT_LE(reads, kViews + 3);
  EXPECT_LE(most, 33U);
}

}  // namespace window_test
}  // namespace trunnion::refine

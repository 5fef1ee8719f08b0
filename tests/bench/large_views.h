// Images as large as a camera's, at the price of a small rendering: demo views are enlarged four
// times, which blurs their edges about as a lens does, and exposed at full size, so that every
// pixel has noise of its own. Nothing of the sort compresses as well as flat colour would.
#pragma once

#include <opencv2/core.hpp>

#include "datasets/demo_set.h"

namespace trunnion::bench {

inline constexpr int kEnlarged = 4;

struct LargeOptions {
  int width_px = 6240;  // a multiple of kEnlarged, as is the height
  int height_px = 4160;
  int stations = 36;  // of the full turn
  int bits = 16;
  demo::BackdropShade backdrop = demo::BackdropShade::black;
  int enlarged = kEnlarged;
};

class LargeViews {
 public:
  explicit LargeViews(const LargeOptions& options);
  // Setup, camera and axis at full size.
  [[nodiscard]] const demo::Rig& rig() const { return large_.rig(); }
  // CV_8UC3 or CV_16UC3.
  [[nodiscard]] cv::Mat view(int station) const;

 private:
  demo::DemoSet small_;
  demo::DemoSet large_;
  int enlarged_;
};

}  // namespace trunnion::bench

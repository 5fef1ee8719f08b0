// A soft threshold: 0 below `low`, 1 above `high`, a cubic with level ends between.
#pragma once

#include <algorithm>

namespace trunnion::demo {

inline double smooth_step(double low, double high, double x) {
  const double t = std::clamp((x - low) / (high - low), 0.0, 1.0);
  return t * t * (3.0 - 2.0 * t);
}

}  // namespace trunnion::demo

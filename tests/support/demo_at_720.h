// The demo at 720 x 480 px: for tests that need no detail, quick to render and prepare, and as the
// small size beside the demo's own.
#pragma once

#include <string>
#include <vector>

#include "datasets/demo_set.h"

namespace trunnion::test {

inline demo::DemoOptions demo_at_720(demo::DemoOptions options = {}) {
  options.width_px = 720;
  options.height_px = 480;
  return options;
}

// `trunnion demo` and the same size as arguments.
inline std::vector<std::string> demo_command_at_720(const std::string& folder) {
  return {"demo", folder, "--width", "720", "--height", "480", "--stations", "3", "--quiet"};
}

}  // namespace trunnion::test

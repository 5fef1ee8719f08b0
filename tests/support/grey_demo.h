// A small demo in front of a grey backdrop, for tests of the stages that need no pipeline.
#pragma once

#include "datasets/demo_set.h"

namespace trunnion::test {

inline demo::DemoOptions grey_demo() {
  demo::DemoOptions options;
  options.rings = 1;
  options.stations = 12;
  options.width_px = 420;
  options.height_px = 280;
  options.backdrop = demo::BackdropShade::grey;
  options.boards = false;
  return options;
}

}  // namespace trunnion::test

#include "tests/bench/large_views.h"

#include <opencv2/imgproc.hpp>

namespace trunnion::bench {
namespace {

demo::DemoOptions demo_options(const LargeOptions& options, int shrink) {
  demo::DemoOptions demo;
  demo.rings = 1;
  demo.stations = options.stations;
  demo.width_px = options.width_px / shrink;
  demo.height_px = options.height_px / shrink;
  demo.bits = options.bits;
  demo.backdrop = options.backdrop;
  demo.boards = false;
  return demo;
}

}  // namespace

LargeViews::LargeViews(const LargeOptions& options)
    : small_(demo_options(options, options.enlarged)),
      large_(demo_options(options, 1)),
      enlarged_(options.enlarged) {}

cv::Mat LargeViews::view(int station) const {
  cv::Mat colour = small_.render(small_.views()[static_cast<std::size_t>(station)]).colour;
  if (enlarged_ > 1) cv::resize(colour, colour, {}, enlarged_, enlarged_, cv::INTER_LINEAR);
  return demo::expose(colour, large_.sensor(), large_.rig().camera,
                      static_cast<std::uint64_t>(station));
}

}  // namespace trunnion::bench

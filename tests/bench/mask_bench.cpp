// Speed of the mask stage at the full resolution of a camera: 6000 x 4000, 16 bit. A small demo
// view is enlarged, which blurs its edges about as a lens does, and exposed at full size so that
// every pixel has noise of its own. The goal is 20 megapixels a second a core.
#include <benchmark/benchmark.h>

#include <opencv2/imgproc.hpp>

#include "datasets/demo_set.h"
#include "stages/mask.h"
#include "stages/survey.h"

namespace trunnion {
namespace {

struct LargeSet {
  std::vector<cv::Mat> images;
  SurveyResult survey;
};

LargeSet large_set(demo::BackdropShade backdrop) {
  demo::DemoOptions options;
  options.rings = 1;
  options.stations = 4;
  options.width_px = 1500;
  options.height_px = 1000;
  options.backdrop = backdrop;
  options.boards = false;
  options.faults.no_dust = true;
  const demo::DemoSet set(options);
  Camera camera = set.rig().camera;
  camera.width_px *= 4;
  camera.height_px *= 4;
  LargeSet result;
  for (const demo::DemoView& view : set.views()) {
    cv::Mat colour;
    cv::resize(set.render(view).colour, colour, {}, 4, 4, cv::INTER_LINEAR);
    demo::Sensor sensor = set.sensor();
    sensor.hot_pixels.clear();
    result.images.push_back(demo::expose(colour, sensor, camera, view.station));
  }
  result.survey = survey({0, 1, 2, 3}, [&](std::size_t k) { return result.images[k]; },
                         std::nullopt, BackdropKind::automatic, {});
  return result;
}

void mask_stage(benchmark::State& state, demo::BackdropShade backdrop) {
  cv::setNumThreads(1);
  const LargeSet set = large_set(backdrop);
  for (auto _ : state) {
    benchmark::DoNotOptimize(make_mask(set.images.front(), set.survey, {}, 0.004));
  }
  state.counters["megapixels/s"] = benchmark::Counter(
      24.0 * static_cast<double>(state.iterations()), benchmark::Counter::kIsRate);
}

BENCHMARK_CAPTURE(mask_stage, black, demo::BackdropShade::black)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(mask_stage, grey, demo::BackdropShade::grey)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(mask_stage, white, demo::BackdropShade::white)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace trunnion

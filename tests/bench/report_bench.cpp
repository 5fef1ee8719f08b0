// The report's own stage: what a set of 200 images costs beside the run that prepares them.
// Pictures are cut during the image pass (stage_bench).
#include <benchmark/benchmark.h>

#include "stages/report/report.h"
#include "tests/support/open_data.h"
#include "tests/support/sample_report.h"

namespace trunnion {
namespace {

void write_200_images(benchmark::State& state) {
  test::SampleOptions options;
  options.faults = false;
  options.stations = 100;
  options.width_px = 900;
  options.noise = true;
  const report::ReportData data = test::sample_report(options);
  const test::TemporaryFolder folder;
  for (auto _ : state) report::write_report(data, folder.path() / "report");
  state.counters["images"] = static_cast<double>(data.views.size());
}
BENCHMARK(write_200_images)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace trunnion

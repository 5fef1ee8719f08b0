// The report's own stage: what a set of 200 images costs beside the run that prepares them.
// Pictures are cut during the image pass (report_pictures, an image of 26 megapixels at 16 bit).
#include <benchmark/benchmark.h>

#include <opencv2/core.hpp>

#include "stages/report.h"
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
  const ReportData data = test::sample_report(options);
  const test::TemporaryFolder folder;
  for (auto _ : state) write_report(data, folder.path() / "report");
  state.counters["images"] = static_cast<double>(data.views.size());
}
BENCHMARK(write_200_images)->Unit(benchmark::kMillisecond);

void cut_pictures_of_26_megapixels(benchmark::State& state) {
  cv::Mat image(4160, 6240, CV_16UC3);
  cv::randu(image, 0, 65535);
  const cv::Mat mask(image.size(), CV_8U, cv::Scalar(255));
  cv::Mat before(587, 880, CV_16UC3);  // as the image pass keeps it
  cv::randu(before, 0, 65535);
  for (auto _ : state) benchmark::DoNotOptimize(make_thumbnails(before, image, mask));
}
BENCHMARK(cut_pictures_of_26_megapixels)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace trunnion

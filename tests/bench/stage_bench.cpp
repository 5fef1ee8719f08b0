// Each stage alone on one core, 6240 x 4160 (26 megapixels): megapixels a second of its CPU time.
#include <benchmark/benchmark.h>
#include <tbb/global_control.h>

#include <map>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

#include "core/files.h"
#include "core/hash.h"
#include "core/image_io.h"
#include "stages/blur_bands/blur_bands.h"
#include "stages/mask/mask.h"
#include "stages/measure_view/measure_view.h"
#include "stages/refine/refine.h"
#include "stages/repair/repair.h"
#include "stages/report/report.h"
#include "stages/survey/survey.h"
#include "stages/undistort/undistort.h"
#include "tests/bench/deflate_tiff.h"
#include "tests/bench/large_views.h"
#include "tests/support/open_data.h"

namespace trunnion::bench {
namespace {

namespace fs = std::filesystem;
using demo::BackdropShade;

constexpr double kObjectPixel_mm = 0.004;

// What the stages work on, made once a backdrop and depth.
struct Subject {
  std::vector<cv::Mat> images;
  SurveyResult survey;
  Camera camera;
  cv::Mat coverage;
};

const Subject& subject(BackdropShade backdrop, int bits = 16) {
  static std::map<std::pair<BackdropShade, int>, Subject> made;
  Subject& result = made[{backdrop, bits}];
  if (!result.images.empty()) return result;
  cv::setNumThreads(1);
  LargeOptions options;
  options.stations = 4;
  options.backdrop = backdrop;
  options.bits = bits;
  const LargeViews views(options);
  result.camera = views.rig().camera;
  for (int k = 0; k < options.stations; ++k) result.images.push_back(views.view(k));
  result.survey = survey::survey({0, 1, 2, 3}, [&](std::size_t k) { return result.images[k]; },
                                 std::nullopt, BackdropKind::automatic, {});
  result.coverage =
      mask::make_mask(result.images.front(), result.survey, {}, kObjectPixel_mm).coverage;
  return result;
}

void count_pixels(benchmark::State& state, double images = 1) {
  const cv::Mat& image = subject(BackdropShade::black).images.front();
  const double megapixels = static_cast<double>(image.total()) / 1e6;
  state.counters["megapixels/s"] = benchmark::Counter(
      images * megapixels * static_cast<double>(state.iterations()), benchmark::Counter::kIsRate);
}

enum class Codec { deflate, lzw, plain, png, jpeg };

void write(const fs::path& file, const cv::Mat& image, Codec codec) {
  if (codec == Codec::deflate) return write_deflate_tiff(file, image);
  write_image(file, image,
              {.type = codec == Codec::png    ? FileType::png
                       : codec == Codec::jpeg ? FileType::jpeg
                                              : FileType::tiff,
               .compress = codec != Codec::plain});
}

const char* extension(Codec codec) {
  return codec == Codec::png ? "png" : codec == Codec::jpeg ? "jpg" : "tif";
}

void decode(benchmark::State& state, Codec codec) {
  const int bits = codec == Codec::jpeg ? 8 : 16;
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / (std::string("image.") + extension(codec));
  write(file, subject(BackdropShade::black, bits).images.front(), codec);
  for (auto _ : state) benchmark::DoNotOptimize(read_image(file));
  count_pixels(state);
}
BENCHMARK_CAPTURE(decode, deflate, Codec::deflate)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(decode, lzw, Codec::lzw)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(decode, plain, Codec::plain)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(decode, png, Codec::png)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(decode, jpeg, Codec::jpeg)->Unit(benchmark::kMillisecond);

void encode(benchmark::State& state, Codec codec) {
  const int bits = codec == Codec::jpeg ? 8 : 16;
  const cv::Mat image = subject(BackdropShade::black, bits).images.front();
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / (std::string("image.") + extension(codec));
  for (auto _ : state) write(file, image, codec);
  state.counters["bytes/px"] =
      static_cast<double>(fs::file_size(file)) / static_cast<double>(image.total());
  count_pixels(state);
}
BENCHMARK_CAPTURE(encode, deflate, Codec::deflate)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(encode, lzw, Codec::lzw)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(encode, plain, Codec::plain)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(encode, png, Codec::png)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(encode, jpeg, Codec::jpeg)->Unit(benchmark::kMillisecond);

void encode_mask(benchmark::State& state) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "mask.png";
  const cv::Mat& coverage = subject(BackdropShade::black).coverage;
  for (auto _ : state) write(file, coverage, Codec::png);
  count_pixels(state);
}
BENCHMARK(encode_mask)->Unit(benchmark::kMillisecond);

// Without decoding, of so many stations.
void survey_stage(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  const auto stations = static_cast<int>(state.range(0));
  const SurveySettings settings{.stations = stations, .most_stations = stations};
  const std::vector<std::size_t> which =
      survey::survey_stations({static_cast<std::size_t>(stations)}, settings);
  for (auto _ : state) {
    benchmark::DoNotOptimize(survey::survey(
        which, [&](std::size_t k) { return set.images[k % set.images.size()]; }, std::nullopt,
        BackdropKind::automatic, settings));
  }
  count_pixels(state, stations);
}
BENCHMARK(survey_stage)->Arg(8)->Arg(12)->Arg(24)->Unit(benchmark::kMillisecond)->Iterations(1);

void repair_stage(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  cv::Mat image = set.images.front().clone();
  for (auto _ : state) benchmark::DoNotOptimize(repair::repair(image, set.survey.spots, {}));
  state.counters["spots"] = static_cast<double>(set.survey.spots.size());
  count_pixels(state);
}
BENCHMARK(repair_stage)->Unit(benchmark::kMillisecond);

// The goal is 20 megapixels a second.
void mask_stage(benchmark::State& state, BackdropShade backdrop) {
  const Subject& set = subject(backdrop);
  for (auto _ : state) {
    benchmark::DoNotOptimize(mask::make_mask(set.images.front(), set.survey, {}, kObjectPixel_mm));
  }
  count_pixels(state);
}
BENCHMARK_CAPTURE(mask_stage, black, BackdropShade::black)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(mask_stage, grey, BackdropShade::grey)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(mask_stage, white, BackdropShade::white)->Unit(benchmark::kMillisecond);

void exposure_and_sharpness(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  for (auto _ : state) {
    benchmark::DoNotOptimize(
        measure_view::measure_view(set.images.front(), set.coverage, set.survey));
  }
  count_pixels(state);
}
BENCHMARK(exposure_and_sharpness)->Unit(benchmark::kMillisecond);

void blur_bands_stage(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  const cv::Mat backdrop = set.survey.backdrop / set.survey.full_scale;
  for (auto _ : state) {
    benchmark::DoNotOptimize(
        blur_bands::find_blur_bands(set.images.front(), set.coverage, backdrop));
  }
  count_pixels(state);
}
BENCHMARK(blur_bands_stage)->Unit(benchmark::kMillisecond);

void undistort_stage(benchmark::State& state, Interpolation interpolation, int bits) {
  const Subject& set = subject(BackdropShade::black, bits);
  const undistort::UndistortMap map = undistort::undistort_map(set.camera, {});
  cv::Mat image = set.images.front().clone();
  for (auto _ : state) {  // again and again: how long it takes doesn't depend on what it shows
    undistort::undistort_image(image, map, interpolation);
    benchmark::DoNotOptimize(image.data);
  }
  count_pixels(state);
}
BENCHMARK_CAPTURE(undistort_stage, cubic_16_bit, Interpolation::cubic, 16)
    ->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(undistort_stage, cubic_8_bit, Interpolation::cubic, 8)
    ->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(undistort_stage, lanczos_16_bit, Interpolation::lanczos, 16)
    ->Unit(benchmark::kMillisecond);

void undistort_mask_stage(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  const undistort::UndistortMap map = undistort::undistort_map(set.camera, {});
  for (auto _ : state) benchmark::DoNotOptimize(undistort::undistort_mask(set.coverage, map));
  count_pixels(state);
}
BENCHMARK(undistort_mask_stage)->Unit(benchmark::kMillisecond);

// OpenCV's cubic remap, for comparison.
void remap_of_opencv(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  const Camera& c = set.camera;
  const cv::Mat matrix = (cv::Mat_<double>(3, 3) << c.fx, 0, c.cx, 0, c.fy, c.cy, 0, 0, 1);
  const std::vector<double> distortion(c.distortion.begin(), c.distortion.end());
  cv::Mat map;
  cv::Mat fractions;
  cv::initUndistortRectifyMap(matrix, distortion, cv::Mat(), matrix, {c.width_px, c.height_px},
                              CV_16SC2, map, fractions);
  for (auto _ : state) {
    cv::Mat result;
    cv::remap(set.images.front(), result, map, fractions, cv::INTER_CUBIC);
  }
  count_pixels(state);
}
BENCHMARK(remap_of_opencv)->Unit(benchmark::kMillisecond);

void features_stage(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  for (auto _ : state) {
    benchmark::DoNotOptimize(refine::extract_features(set.images.front(), set.coverage, {}));
  }
  count_pixels(state);
}
BENCHMARK(features_stage)->Unit(benchmark::kMillisecond);

void pictures_of_report(benchmark::State& state) {
  const Subject& set = subject(BackdropShade::black);
  cv::Mat before;
  cv::resize(set.images.front(), before, {880, 587}, 0, 0, cv::INTER_AREA);
  for (auto _ : state) {
    benchmark::DoNotOptimize(report::make_thumbnails(before, set.images.front(), set.coverage));
  }
  count_pixels(state);
}
BENCHMARK(pictures_of_report)->Unit(benchmark::kMillisecond);

void hash_of_file(benchmark::State& state) {
  const cv::Mat& image = subject(BackdropShade::black).images.front();
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "image.tif";
  write(file, image, Codec::plain);
  for (auto _ : state) benchmark::DoNotOptimize(hash_file(file));
  state.SetBytesProcessed(static_cast<std::int64_t>(fs::file_size(file)) * state.iterations());
  count_pixels(state);
}
BENCHMARK(hash_of_file)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace trunnion::bench

// One core: what other threads do is not in Google Benchmark's CPU time.
int main(int argc, char** argv) {
  const tbb::global_control one(tbb::global_control::max_allowed_parallelism, 1);
  benchmark::Initialize(&argc, argv);
  benchmark::RunSpecifiedBenchmarks();
  return 0;
}

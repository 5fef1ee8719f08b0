// bench_floor IN OUT: the least that any such program must do. Decode, OpenCV's cubic remap with
// fixed maps, encode; the codecs, the number of workers and the one-image-a-worker scheme are those
// of prepare, and there is nothing else.
#include <fmt/format.h>
#include <tbb/global_control.h>
#include <tbb/parallel_pipeline.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <filesystem>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

#include "config/calibration_record.h"
#include "core/error.h"
#include "core/image_io.h"
#include "tests/bench/deflate_tiff.h"

namespace trunnion::bench {
namespace {

namespace fs = std::filesystem;

struct Wish {
  std::string in;
  std::string out;
  std::string record;
  std::string codec = "same";  // deflate: TIFF with deflate, for comparison
  int jobs = 1;
};

cv::Mat matrix_of(const Camera& camera) {
  return (cv::Mat_<double>(3, 3) << camera.fx, 0, camera.cx, 0, camera.fy, camera.cy, 0, 0, 1);
}

void work(const fs::path& file, const Wish& wish, const cv::Mat& map, const cv::Mat& fractions) {
  const FileType type = probe_image(file).type;
  const cv::Mat image = read_image(file);
  cv::Mat result;
  cv::remap(image, result, map, fractions, cv::INTER_CUBIC);
  const fs::path out = fs::path(wish.out) / file.filename();
  if (wish.codec == "deflate" && type == FileType::tiff) {
    write_deflate_tiff(out, result);
  } else {
    // What prepare does by default: uncompressed input is named by --codec plain.
    write_image(out, result, {.type = type, .compress = wish.codec != "plain"});
  }
}

void run(const Wish& wish) {
  const tbb::global_control budget(tbb::global_control::max_allowed_parallelism,
                                   static_cast<std::size_t>(wish.jobs));
  cv::setNumThreads(1);
  std::vector<fs::path> files;
  for (const auto& entry : fs::directory_iterator(wish.in)) files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  fs::create_directories(wish.out);
  const Camera camera = read_record(wish.record).lens->camera;
  Camera centred = camera;
  centred.cx = 0.5 * (camera.width_px - 1);
  centred.cy = 0.5 * (camera.height_px - 1);
  const std::vector<double> distortion(camera.distortion.begin(), camera.distortion.end());
  cv::Mat map;
  cv::Mat fractions;
  cv::initUndistortRectifyMap(matrix_of(camera), distortion, cv::Mat(), matrix_of(centred),
                              {camera.width_px, camera.height_px}, CV_16SC2, map, fractions);
  std::size_t next = 0;
  tbb::parallel_pipeline(
      static_cast<std::size_t>(wish.jobs),
      tbb::make_filter<void, fs::path*>(tbb::filter_mode::serial_in_order,
                                        [&](tbb::flow_control& control) -> fs::path* {
                                          if (next < files.size()) return &files[next++];
                                          control.stop();
                                          return nullptr;
                                        }) &
          tbb::make_filter<fs::path*, void>(tbb::filter_mode::parallel, [&](fs::path* file) {
            work(*file, wish, map, fractions);
          }));
}

}  // namespace
}  // namespace trunnion::bench

int main(int argc, char** argv) {
  using namespace trunnion;
  bench::Wish wish;
  CLI::App app("Decode, remap, encode: the floor of the measurements");
  app.add_option("in", wish.in)->required();
  app.add_option("out", wish.out)->required();
  app.add_option("--record", wish.record)->required();
  app.add_option("--codec", wish.codec)->check(CLI::IsMember({"same", "plain", "deflate"}));
  app.add_option("--jobs", wish.jobs);
  CLI11_PARSE(app, argc, argv);
  try {
    bench::run(wish);
  } catch (const Error& error) {
    fmt::print(stderr, "{}\n", error.what());
    return 1;
  }
  return 0;
}

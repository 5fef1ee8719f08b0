// A lens calibration from 20 boards of 26 megapixels, 16 bit: the whole command, beside reading the
// same images alone. Peak memory is that of the command.
#include <benchmark/benchmark.h>
#include <fmt/format.h>
#include <sys/resource.h>

#include <filesystem>
#include <fstream>

#include "core/angle.h"
#include "core/image_io.h"
#include "core/pose.h"
#include "tests/support/board_image.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr int kBoards = 20;
constexpr double kFocal_px = 50000;  // 1:1 at 4 um, 200 mm away
constexpr const char* kSetup = R"(title = "bench"
[body]
width_px = 6240
height_px = 4160
pixel_pitch_um = 4.0
[lens]
focal_length_mm = 100.0
magnification = 1.0
f_number = 8.0
[fusion]
moves = "rail"
rescaled = true
)";

// Boards at tilts up to 35 degrees in nine places, by the homography of one pinhole camera.
void write_boards(const fs::path& folder) {
  std::ofstream(folder / "bench.toml") << kSetup;
  for (int i = 0; i < kBoards; ++i) {
    test::BoardScene scene;
    scene.pattern = {17, 12, 1.0};
    scene.size = {6240, 4160};
    scene.bits = 16;
    scene.blur_px = 1.2;
    scene.noise = 0.01;
    const double tilt = radians(35.0) * std::sin(1.3 * i + 0.4);
    const Eigen::Matrix3d R =
        rotation_about(Eigen::Vector3d(std::cos(2.1 * i), std::sin(2.1 * i), 0).normalized(), tilt);
    const Eigen::Vector3d middle(0.5 * (scene.pattern.columns - 1), 0.5 * (scene.pattern.rows - 1),
                                 0);
    const Eigen::Vector3d t =
        Eigen::Vector3d(3.0 * (i % 3 - 1), 2.0 * (i / 3 % 3 - 1), 200.0) - R * middle;
    Eigen::Matrix3d K = Eigen::Matrix3d::Identity();
    K(0, 0) = K(1, 1) = kFocal_px;
    K(0, 2) = 3119.5;
    K(1, 2) = 2079.5;
    Eigen::Matrix3d plane;
    plane << R.col(0), R.col(1), t;
    scene.image_from_board = K * plane;
    write_image(folder / fmt::format("board_{:02}.tif", i), test::draw_board(scene),
                {.type = FileType::tiff});
  }
}

const fs::path& boards() {
  static const test::TemporaryFolder folder;
  static const bool written = (write_boards(folder.path()), true);
  benchmark::DoNotOptimize(written);
  return folder.path();
}

void read_20_boards(benchmark::State& state) {
  boards();
  for (auto _ : state) {
    for (int i = 0; i < kBoards; ++i) {
      benchmark::DoNotOptimize(read_image(boards() / fmt::format("board_{:02}.tif", i)));
    }
  }
}
BENCHMARK(read_20_boards)->Unit(benchmark::kSecond)->Iterations(1)->UseRealTime();

void calibrate_lens_from_20_boards(benchmark::State& state) {
  const std::vector<std::string> call{"calibrate",
                                      "lens",
                                      (boards() / "bench.toml").string(),
                                      "--images",
                                      (boards() / "board_*.tif").string(),
                                      "--board",
                                      "17x12",
                                      "--square",
                                      "1"};
  for (auto _ : state) {
    const auto run = test::run_trunnion(call);
    if (run.exit_code != 0) state.SkipWithError((run.out + run.err).c_str());
    state.SetLabel(run.out.substr(0, run.out.find('\n')));
  }
  rusage used{};
  getrusage(RUSAGE_CHILDREN, &used);
  state.counters["peak_MB"] = static_cast<double>(used.ru_maxrss) / 1000.0;
}
BENCHMARK(calibrate_lens_from_20_boards)->Unit(benchmark::kSecond)->Iterations(1)->UseRealTime();

}  // namespace
}  // namespace trunnion

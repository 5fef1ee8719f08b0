#include "datasets/demo_set.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>
#include <set>

#include "config/settings.h"
#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "tests/support/demo_at_720.h"
#include "tests/support/open_data.h"

namespace trunnion::demo {
namespace demo_set_test {

DemoOptions small() {
  DemoOptions options;
  options.width_px = 216;
  options.height_px = 144;
  options.rings = 2;
  options.stations = 3;
  return options;
}

std::map<std::string, std::string> hashes(const fs::path& folder) {
  std::map<std::string, std::string> all;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (!entry.is_regular_file()) continue;
    all[entry.path().lexically_relative(folder).string()] = hash_file(entry.path());
  }
  return all;
}

TEST(DemoSet, SameBytesOnAnyNumberOfThreads) {
  const test::TemporaryFolder folder;
  DemoOptions options = small();
  options.jobs = 1;
  write_demo_set(folder.path() / "one", options);
  options.jobs = 3;
  write_demo_set(folder.path() / "three", options);
  const auto one = hashes(folder.path() / "one");
  EXPECT_EQ(one, hashes(folder.path() / "three"));
  EXPECT_EQ(one.count("specimen/fused/high_002.tif"), 1U);
  EXPECT_EQ(one.count("boards/lens/board_15.tif"), 1U);
  EXPECT_EQ(one.count("truth/masks/low_000.png"), 1U);
  for (const auto& [name, hash] : one) EXPECT_EQ(name.find(".trunnion-part"), std::string::npos);
}

TEST(DemoSet, UnchangedSetStandsAndAnotherReplacesIt) {
  const test::TemporaryFolder folder;
  DemoOptions options = small();
  options.boards = false;
  EXPECT_FALSE(write_demo_set(folder.path(), options).unchanged);
  const auto before = hashes(folder.path());
  EXPECT_TRUE(write_demo_set(folder.path(), options).unchanged);
  // A file that was changed is made again; one that the user added stays.
  write_file(folder.path() / "truth" / "dust.csv", "spoilt");
  write_file(folder.path() / "specimen" / "note.txt", "mine");
  EXPECT_FALSE(write_demo_set(folder.path(), options).unchanged);
  auto after = hashes(folder.path());
  EXPECT_EQ(after.erase("specimen/note.txt"), 1U);
  EXPECT_EQ(after, before);
  options.stations = 4;
  options.rings = 1;
  write_demo_set(folder.path(), options);
  EXPECT_FALSE(fs::exists(folder.path() / "specimen" / "fused" / "low_000.tif"));
  EXPECT_TRUE(fs::exists(folder.path() / "specimen" / "fused" / "mid_003.tif"));
  EXPECT_TRUE(fs::exists(folder.path() / "specimen" / "note.txt"));
}

TEST(DemoSet, KeepsOutOfFoldersWithOtherThings) {
  const test::TemporaryFolder folder;
  write_file(folder.path() / "mine.txt", "mine");
  try {
    write_demo_set(folder.path(), small());
    FAIL() << "wrote among other files";
  } catch (const Error& error) {
    EXPECT_NE(std::string(error.what()).find(folder.path().string()), std::string::npos);
  }
  EXPECT_EQ(hashes(folder.path()).size(), 1U);
}

TEST(DemoSet, AnotherSeedIsAnotherSet) {
  DemoOptions options = small();
  const DemoSet first(options);
  options.seed = 2;
  const DemoSet second(options);
  const cv::Mat a = first.render(first.views()[0]).coverage;
  const cv::Mat b = second.render(second.views()[0]).coverage;
  EXPECT_GT(cv::norm(a, b, cv::NORM_L1), 0.0);
  EXPECT_NE(first.sensor().dust[0].x_px, second.sensor().dust[0].x_px);
}

class EveryHabit : public testing::TestWithParam<FusionHabit> {};

TEST_P(EveryHabit, FilesAreReadByTheReadersOfTheTool) {
  const test::TemporaryFolder folder;
  DemoOptions options = small();
  options.habit = GetParam();
  options.boards = false;
  write_demo_set(folder.path(), options);
  const trunnion::Setup setup = read_setup(folder.path() / "setups" / "demo.toml");
  EXPECT_EQ(setup.orthographic(), GetParam() == FusionHabit::orthographic);
  EXPECT_EQ(setup.moves == FocusMotion::lens, GetParam() == FusionHabit::lens);
  const SpecimenFile file = read_specimen(folder.path() / "specimen" / "specimen.toml");
  EXPECT_THAT(read_file(folder.path() / "specimen" / "specimen.toml"),
              testing::Not(testing::HasSubstr("99999")));  // 119.99999999999999 for 120
  EXPECT_EQ(file.specimen.rings.size(), 2U);
  EXPECT_TRUE(fs::equivalent(file.specimen.setup_file, folder.path() / "setups" / "demo.toml"));
  const CalibrationRecord record = read_record(folder.path() / "truth" / "demo.calibration.json");
  EXPECT_TRUE(mismatches(record, setup).empty());
  EXPECT_EQ(record.lens->camera, DemoSet(options).rig().camera);
  // The true axis and angles give the poses that were rendered.
  const Pose again = pose_at(record.axis->rings[1].axis, DemoSet(options).rig().rings[1].angles[2],
                             record.lens->camera.projection == Projection::telecentric);
  EXPECT_LT((again.R - DemoSet(options).rig().pose(1, 2).R).norm(), 1e-12);
}

TEST_P(EveryHabit, RaysOfPixelsProjectBack) {
  DemoOptions options = small();
  options.habit = GetParam();
  const Camera camera = DemoSet(options).rig().camera;
  for (const Eigen::Vector2d& pixel : {Eigen::Vector2d(0, 0), {215, 143}, {90.3, 17.8}}) {
    const Ray ray = camera_ray(camera, normalise(camera, pixel));
    const Eigen::Vector3d point = ray.origin + 190.0 * ray.direction;
    EXPECT_LT((project(camera, point) - pixel).norm(), 1e-9);
  }
}

// A true point must lie where the rendered image shows it: the depth map, made by other code
// (tile lists, no tree), holds the same depth at its pixel.
TEST_P(EveryHabit, TruePointsLieWhereTheImageShowsThem) {
  DemoOptions options = small();
  options.habit = GetParam();
  const DemoSet set(options);
  const std::vector<TruePoint> points = true_points(set, 250);
  ASSERT_GE(points.size(), 200U);
  std::vector<cv::Mat> depths;
  for (const DemoView& view : set.views()) depths.push_back(set.render(view).depth_mm);
  int near = 0;
  int all = 0;
  for (const TruePoint& point : points) {
    for (const TruePoint::Observation& observation : point.observations) {
      const DemoView& view = set.views()[observation.view];
      const double depth = (set.rig().pose(view.ring, view.station) * point.position_mm).z();
      const cv::Point pixel(static_cast<int>(std::lround(observation.position_px.x())),
                            static_cast<int>(std::lround(observation.position_px.y())));
      const auto seen = static_cast<double>(depths[observation.view].at<float>(pixel));
      ++all;
      // Two pixels of slope: pixels of this small image are 0.09 mm.
      if (std::abs(depth - seen) < 0.25) ++near;
    }
  }
  EXPECT_GT(all, 500);
  EXPECT_GT(near, 0.93 * all);  // the rest lies at steps of depth inside one pixel
}

INSTANTIATE_TEST_SUITE_P(Demo, EveryHabit,
                         testing::Values(FusionHabit::rescaled, FusionHabit::orthographic,
                                         FusionHabit::lens));

// Coverage against a plain reference: every solid tried for each of 1024 grid samples a pixel.
TEST(Render, CoverageIsTrueToASixtyFourth) {
  const DemoSet set(test::demo_at_720(small()));
  const DemoView view = set.views()[1];
  const RenderedView rendered = set.render(view);
  const Camera& camera = set.rig().camera;
  const Pose world_from_camera = set.rig().pose(view.ring, view.station).inverse();
  const auto reference = [&](int x, int y) {
    constexpr int kSide = 32;
    int hits = 0;
    for (int i = 0; i < kSide * kSide; ++i) {
      const Eigen::Vector2d pixel(x - 0.5 + (i % kSide + 0.5) / kSide,
                                  y - 0.5 + (i / kSide + 0.5) / kSide);
      const Ray ray = camera_ray(camera, normalise(camera, pixel));
      const Ray world{world_from_camera * ray.origin, world_from_camera.R * ray.direction};
      if (set.model().tree().first_hit(world, 0.0).any()) ++hits;
    }
    return static_cast<double>(hits) / (kSide * kSide);
  };
  double worst = 0.0;
  double squares = 0.0;
  double bias = 0.0;
  int count = 0;
  for (int y = 60; y < 420; y += 3) {
    for (int x = 200; x < 520; ++x) {
      const double coverage = rendered.coverage.at<std::uint8_t>(y, x) / 255.0;
      const bool partial = coverage > 0.0 && coverage < 1.0;
      const bool sampled = (x * 7 + y * 13) % 97 == 0;  // some of the plain pixels too
      if (!partial && !sampled) continue;
      const double error = coverage - reference(x, y);
      worst = std::max(worst, std::abs(error));
      squares += error * error;
      bias += error;
      ++count;
    }
  }
  RecordProperty("rms_of_coverage", std::to_string(std::sqrt(squares / count)));
  RecordProperty("worst_coverage", std::to_string(worst));
  ASSERT_GT(count, 400);
  EXPECT_LT(std::sqrt(squares / count), 0.7 / 64.0);
  EXPECT_LT(std::abs(bias / count), 0.002);
  EXPECT_LT(worst, 4.0 / 64.0);
}

TEST(DemoOptions, WrongWishesAreNamed) {
  const auto refused = [](const auto& change) {
    DemoOptions options = small();
    change(options);
    try {
      check_options(options);
    } catch (const Error& error) {
      EXPECT_EQ(error.kind(), Error::Kind::usage);
      return std::string(error.what());
    }
    return std::string();
  };
  EXPECT_NE(refused([](DemoOptions& o) { o.rings = 0; }).find("--rings is 0"), std::string::npos);
  EXPECT_NE(refused([](DemoOptions& o) { o.bits = 12; }).find("--bits"), std::string::npos);
  EXPECT_NE(refused([](DemoOptions& o) { o.type = FileType::jpeg; }).find("--bits 8"),
            std::string::npos);
  EXPECT_NE(refused([](DemoOptions& o) { o.height_px = 400; }).find("--height"), std::string::npos);
  EXPECT_NE(refused([](DemoOptions& o) { o.faults.missing = 3; }).find("station 3"),
            std::string::npos);
  EXPECT_EQ(refused([](DemoOptions& o) { o.backdrop = BackdropShade::white; }), "");
  Faults faults;
  for (const char* wrong : {"nonsense", "drift:", "drift:x", "missing", "missing:1.5", "no-dust:1",
                            "slip:-1", "exposure:nan"}) {
    EXPECT_THROW(add_fault(faults, wrong), Error) << wrong;
  }
  add_fault(faults, "drift");
  add_fault(faults, "missing:4");
  EXPECT_DOUBLE_EQ(faults.drift, 0.15);
  EXPECT_EQ(faults.missing, 4);
}

}  // namespace demo_set_test
}  // namespace trunnion::demo

#include "pipeline/prepare.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <fstream>
#include <opencv2/core.hpp>

#include "core/error.h"
#include "core/files.h"
#include "core/image_io.h"
#include "pipeline/journal.h"
#include "stages/survey/survey.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace prepare_test {

using testing::HasSubstr;

std::string all_of(const Findings& findings) {
  std::string text;
  for (const Finding& finding : findings) text += finding.file + ": " + finding.what + "\n";
  return text;
}

FileStamp stamp(const test::SmallSet& set, const std::string& relative) {
  return stamp_of(set.prepared() / relative);
}

TEST(Prepare, LeavesACompleteSet) {
  const test::SmallSet set;
  const auto inputs = test::hashes_below(set.workspace() / "fused");
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_prepared, 8);
  for (const char* file :
       {"images/mid_000.tif", "images/mid_007.tif", "masks/mid_000.png", "cameras.json",
        "exterior.csv", "cameras.gltf", "report/index.html", "report/report.json"}) {
    EXPECT_TRUE(fs::exists(set.prepared() / file)) << file;
  }
  EXPECT_EQ(test::hashes_below(set.workspace() / "fused"), inputs) << "originals are never written";
  EXPECT_TRUE(fs::is_empty(set.workspace() / ".trunnion/encoded"));
}

TEST(Prepare, KeepsTypeAndDepthOfTheInput) {
  for (const auto& [type, bits] : {std::pair{FileType::tiff, 16}, std::pair{FileType::png, 16},
                                   std::pair{FileType::jpeg, 8}}) {
    demo::DemoOptions options = test::SmallSet::small_options();
    options.stations = 4;
    options.type = type;
    options.bits = bits;
    const test::SmallSet set(true, options);
    (void)set.prepare();
    const ImageInfo info =
        probe_image(set.prepared() / (std::string("images/mid_000") + extension_of(type)));
    EXPECT_EQ(info.bits, bits);
    EXPECT_EQ(info.type, type);
    EXPECT_EQ(info.width_px, 240);
  }
}

TEST(Prepare, SameBytesAtOneTwoAndEightJobs) {
  setenv("SOURCE_DATE_EPOCH", "1000000000", 1);
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 24;  // enough, at this size, for the poses to be refined
  options.width_px = 360;
  options.height_px = 240;
  const test::SmallSet set(true, options);
  std::map<std::string, std::string> first;
  for (const int jobs : {1, 2, 2, 8}) {
    // The program itself: it lays out its memory in another way than a test does.
    const test::ProgramRun run =
        test::run_trunnion({"prepare", set.workspace(), "--jobs", std::to_string(jobs)});
    EXPECT_EQ(run.exit_code, 0) << run.err;
    EXPECT_THAT(read_file(set.prepared() / "cameras.json"), HasSubstr("\"refined\": true"));
    auto hashes = test::hashes_below(set.prepared());
    // Timings are volatile facts: they live in the report only.
    std::erase_if(hashes, [](const auto& item) {
      return item.first == "report/index.html" || item.first == "report/report.json";
    });
    if (first.empty()) first = hashes;
    EXPECT_EQ(hashes, first) << jobs << " jobs";
    fs::remove_all(set.prepared());
    fs::remove_all(set.workspace() / ".trunnion");
  }
  unsetenv("SOURCE_DATE_EPOCH");
}

TEST(Prepare, ASecondRunTouchesNothing) {
  const test::SmallSet set;
  (void)set.prepare();
  const FileStamp image = stamp(set, "images/mid_003.tif");
  const FileStamp mask = stamp(set, "masks/mid_003.png");
  const PrepareOutcome again = set.prepare();
  EXPECT_EQ(again.images_reused, 8);
  EXPECT_EQ(stamp(set, "images/mid_003.tif"), image);
  EXPECT_EQ(stamp(set, "masks/mid_003.png"), mask);
  EXPECT_THAT(summary_of(again).sentence, HasSubstr("no pixels changed"));
}

TEST(Prepare, AChangedSettingGivesTheBytesOfAFreshRun) {
  const test::SmallSet set;
  (void)set.prepare();
  // Only metadata depends on it: pixels come from the finished files.
  set.add_settings("[output]\nkeep_lens_focal_length = true");
  (void)set.prepare();
  auto changed = test::hashes_below(set.prepared() / "images");
  fs::remove_all(set.prepared());
  fs::remove_all(set.workspace() / ".trunnion");
  (void)set.prepare();
  EXPECT_EQ(test::hashes_below(set.prepared() / "images"), changed);
}

TEST(Prepare, OneReplacedImageLeavesTheOthersAlone) {
  const test::SmallSet set;
  set.add_settings("[survey]\nstations = 4\nmost_stations = 4\n[refine]\nenabled = false");
  // A station that the survey does not look at: nothing else depends on it but set-level stages.
  const std::vector<std::size_t> surveyed =
      survey::survey_stations({8}, {.stations = 4, .most_stations = 4});
  std::size_t station = 0;
  while (std::count(surveyed.begin(), surveyed.end(), station) > 0) ++station;
  ASSERT_LT(station, 8U);
  const std::string name = "mid_00" + std::to_string(station) + ".tif";
  (void)set.prepare();
  std::map<std::string, FileStamp> before;
  for (const auto& entry : fs::directory_iterator(set.prepared() / "images")) {
    before[entry.path().filename().string()] = stamp_of(entry.path());
  }
  cv::Mat image = read_image(set.workspace() / "fused" / name);
  image.row(3).setTo(cv::Scalar::all(999));
  write_image(set.workspace() / "fused" / name, image, {});
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_reused, 7);
  for (const auto& [file, stamp] : before) {
    EXPECT_EQ(stamp_of(set.prepared() / "images" / file) == stamp, file != name) << file;
  }
}

TEST(Prepare, SlowOneReplacedImageOfSeventyTwoCostsOneImage) {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 72;
  options.width_px = 180;
  options.height_px = 144;
  const test::SmallSet set(true, options);
  // Refined poses depend on every image and stand in the metadata of each: without refinement.
  set.add_settings("[refine]\nenabled = false");
  (void)set.prepare();
  // Node and time stamps of every image and mask.
  const auto look = [&] {
    std::map<std::string, std::array<std::int64_t, 3>> seen;
    for (const char* folder : {"images", "masks"}) {
      for (const auto& entry : fs::directory_iterator(set.prepared() / folder)) {
        struct stat data {};
        stat(entry.path().c_str(), &data);
        seen[entry.path().filename().string()] = {static_cast<std::int64_t>(data.st_ino),
                                                  data.st_mtim.tv_sec, data.st_mtim.tv_nsec};
      }
    }
    return seen;
  };
  const auto before = look();
  ASSERT_EQ(before.size(), 144U);
  const std::vector<std::size_t> surveyed = survey::survey_stations({72}, {});
  std::size_t station = 10;
  while (std::count(surveyed.begin(), surveyed.end(), station) > 0) ++station;
  const std::string name = fmt::format("mid_{:03}", station);
  cv::Mat image = read_image(set.workspace() / "fused" / (name + ".tif"));
  image.row(3).setTo(cv::Scalar::all(999));
  write_image(set.workspace() / "fused" / (name + ".tif"), image, {});
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_reused, 71);
  for (const auto& [file, seen] : look()) {
    const bool replaced = file.starts_with(name);
    EXPECT_TRUE(replaced || seen == before.at(file)) << file;
  }
}

TEST(Prepare, LeavesThePosesOfTheRigWhereRefinementIsOff) {
  const test::SmallSet set;
  set.add_settings("[refine]\nenabled = false");
  const PrepareOutcome outcome = set.prepare();
  EXPECT_FALSE(outcome.scene.refined);
  EXPECT_TRUE(outcome.scene.tie_points.empty());
  for (const View& view : outcome.scene.views) EXPECT_EQ(view.pose.R, view.prior.R);
}

TEST(Prepare, MakesADeletedOutputAgain) {
  const test::SmallSet set;
  (void)set.prepare();
  const auto before = test::hashes_below(set.prepared() / "images");
  fs::remove(set.prepared() / "images/mid_001.tif");
  fs::remove(set.prepared() / "masks/mid_002.png");
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_reused, 7);  // a mask is made without encoding its image again
  EXPECT_EQ(test::hashes_below(set.prepared() / "images"), before);
  EXPECT_TRUE(fs::exists(set.prepared() / "masks/mid_002.png"));
}

TEST(Prepare, RemovesItsOwnStaleOutputsAndNothingElse) {
  const test::SmallSet set;
  (void)set.prepare();
  write_file(set.prepared() / "images/mine.txt", "the user's");
  fs::remove(set.workspace() / "fused/mid_007.tif");
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_prepared, 7);
  EXPECT_FALSE(fs::exists(set.prepared() / "images/mid_007.tif"));
  EXPECT_TRUE(fs::exists(set.prepared() / "images/mine.txt"));
}

TEST(Prepare, OneBadImageDoesNotStopTheOthers) {
  const test::SmallSet set;
  const auto file = set.workspace() / "fused/mid_003.tif";
  const std::string bytes = read_file(file);
  std::ofstream(file, std::ios::binary) << bytes.substr(0, bytes.size() / 2);
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(outcome.images_prepared, 7);
  EXPECT_THAT(all_of(outcome.findings), HasSubstr("mid_003.tif"));
}

TEST(Prepare, SaysThatNominalGeometryIsNominal) {
  const test::SmallSet set(false);
  set.add_settings("[refine]\nenabled = false");
  const PrepareOutcome outcome = set.prepare();
  EXPECT_FALSE(outcome.scene.axis_calibrated);
  EXPECT_THAT(all_of(outcome.findings), HasSubstr("no calibrated rotation axis"));
  EXPECT_THAT(all_of(outcome.findings), HasSubstr("is not calibrated"));
  EXPECT_THAT(summary_of(outcome).sentence, HasSubstr("nominal geometry"));
}

TEST(Prepare, RefusesASetupOfAnotherImageSize) {
  const test::SmallSet set(false);
  std::string setup = read_file(set.root() / "setups/demo.toml");
  setup.replace(setup.find("240"), 3, "250");
  write_file(set.root() / "setups/demo.toml", setup);
  EXPECT_THROW((void)set.prepare(), Error);
}

TEST(Prepare, WritesAlphaAndBlackBackdropOnRequest) {
  for (const auto& [mode, channels] : {std::pair{"alpha", 4}, std::pair{"black-backdrop", 3}}) {
    demo::DemoOptions options = test::SmallSet::small_options();
    options.stations = 4;
    options.backdrop = demo::BackdropShade::white;
    const test::SmallSet set(true, options);
    set.add_settings(std::string("[output]\nalpha = \"") + mode + "\"");
    (void)set.prepare();
    const cv::Mat image = read_image(set.prepared() / "images/mid_000.tif");
    EXPECT_EQ(image.channels(), channels);
    const auto* corner = image.ptr<std::uint16_t>(2, 2);
    EXPECT_EQ(corner[channels == 4 ? 3 : 0], 0) << "the corner is backdrop";
  }
}

TEST(Check, JudgesASetWithoutPreparingIt) {
  const test::SmallSet set;
  fs::remove(set.workspace() / "fused/mid_002.tif");
  Progress::Options quiet;
  quiet.quiet = true;
  Progress progress({}, quiet);
  const CheckOutcome outcome = check(set.workspace(), {}, progress);
  EXPECT_FALSE(outcome.fit());
  EXPECT_THAT(all_of(outcome.findings), HasSubstr("lacks 1 of 8 stations: 2"));
  EXPECT_FALSE(fs::exists(set.prepared()));
}

}  // namespace prepare_test
}  // namespace trunnion

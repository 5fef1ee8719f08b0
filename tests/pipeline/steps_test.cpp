// What follows from the declarations of the steps: which settings lead to which work, and that
// check says of an image what prepare says.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <chrono>
#include <filesystem>
#include <fstream>
#include <set>

#include "core/error.h"
#include "core/files.h"
#include "core/image_io.h"
#include "pipeline/image_steps.h"
#include "pipeline/set_steps.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace steps_test {

using testing::HasSubstr;
using testing::IsEmpty;
using testing::Not;

SettingsKeys declared_keys() {
  SettingsKeys keys;
  const auto add = [&keys](const SettingsKeys& some) {
    keys.insert(keys.end(), some.begin(), some.end());
  };
  for (const ImageStep& step : image_steps()) add(step.settings);
  for (const ImageProduct& product : image_products()) add(product.settings);
  for (const SetStep& step : set_steps(Job::prepare)) add(step.settings);
  return keys;
}

// No setting can be forgotten in the fingerprints, and none is named that does not exist.
TEST(Steps, EverySettingIsNamedByAStepThatReadsIt) {
  const test::SmallSet set;
  const Settings settings = read_specimen(set.workspace() / "specimen.toml").settings;
  const SettingsKeys declared = declared_keys();
  std::vector<std::string> forgotten;
  for (const auto& [key, text] : settings.written_keys) {
    const std::string table = key.substr(0, key.find('.'));
    const auto names = [&](std::string_view name) { return name == key || name == table; };
    if (std::none_of(declared.begin(), declared.end(), names)) forgotten.push_back(key);
  }
  EXPECT_THAT(forgotten, IsEmpty());
  for (const std::string_view key : declared) {
    EXPECT_NO_THROW((void)settings.text_of(key)) << key;
  }
}

TEST(Steps, ASettingThatDoesNotExistIsAMistakeOfTheProgram) {
  const test::SmallSet set;
  const Settings settings = read_specimen(set.workspace() / "specimen.toml").settings;
  EXPECT_THROW((void)settings.text_of("output.tipe"), std::logic_error);
  EXPECT_THROW((void)settings.text_of("outputs"), std::logic_error);
}

TEST(Steps, TheTerminalListsThemInTheOrderOfTheirRun) {
  EXPECT_THAT(shown_steps(Job::prepare),
              testing::ElementsAre("ingest", "survey", "repair, mask, undistort", "refine",
                                   "mask confidence", "annotate", "export", "hull", "report"));
  EXPECT_THAT(shown_steps(Job::check),
              testing::ElementsAre("ingest", "survey", "repair, mask", "mask confidence"));
  const test::SmallSet set;
  const PrepareOutcome outcome = set.prepare();
  std::vector<std::string> run;
  for (const auto& [name, seconds] : outcome.seconds) run.push_back(name);
  EXPECT_EQ(run, shown_steps(Job::prepare));
}

class SettingsWithoutPixels : public testing::TestWithParam<const char*> {};

TEST_P(SettingsWithoutPixels, EncodeNoneAndGiveTheBytesOfAFreshRun) {
  const test::SmallSet set;
  write_file(set.workspace() / "poses.mustache", "{{#views}}{{name}}\n{{/views}}");
  (void)set.prepare();
  set.add_settings(GetParam());
  EXPECT_EQ(set.prepare().images_reused, 8);
  const auto changed = test::hashes_below(set.prepared());
  fs::remove_all(set.prepared());
  fs::remove_all(set.workspace() / ".trunnion");
  EXPECT_EQ(set.prepare().images_reused, 0);
  auto fresh = test::hashes_below(set.prepared());
  for (const char* dated : {"report/index.html", "report/report.json"}) fresh[dated] = "";
  for (const auto& [file, hash] : changed) {
    ASSERT_TRUE(fresh.contains(file)) << file;
    if (!fresh[file].empty()) {
      EXPECT_EQ(fresh[file], hash) << file;
    }
  }
  EXPECT_EQ(fresh.size(), changed.size());
}

INSTANTIATE_TEST_SUITE_P(
    Each, SettingsWithoutPixels,
    testing::Values("[output]\nmask_suffix = \"_mask\"", "[output]\nsidecar = true",
                    "[output]\nkeep_lens_focal_length = true",
                    "[[output.template]]\nfile = \"./poses.mustache\"\nname = \"poses.txt\"",
                    "[refine]\nmax_features = 300", "[refine]\nprincipal_distance = \"fixed\"",
                    "[refine]\nenabled = false"));

TEST(Steps, ASettingOfThePixelsEncodesAll) {
  for (const char* setting :
       {"[output]\ncompress = false", "[output]\nbits = \"8\"", "[mask]\nmargin_px = 2",
        "[undistort]\ninterpolation = \"lanczos\"", "[repair]\ndust = false"}) {
    const test::SmallSet set;
    (void)set.prepare();
    set.add_settings(setting);
    EXPECT_EQ(set.prepare().images_reused, 0) << setting;
  }
}

// As `cp -r` does it: another place, new time stamps.
class CopiedWorkspace : public testing::Test {
 protected:
  void SetUp() override {
    set_.add_settings("[refine]\nenabled = false");
    (void)set_.prepare();
    fs::copy(set_.root() / "setups", copy_.path() / "setups", fs::copy_options::recursive);
    fs::copy(set_.workspace(), copy_.path() / "specimen", fs::copy_options::recursive);
    const auto later = fs::file_time_type::clock::now() + std::chrono::hours(1);
    for (const auto& entry : fs::recursive_directory_iterator(copy_.path())) {
      if (entry.is_regular_file()) fs::last_write_time(entry.path(), later);
    }
  }
  [[nodiscard]] PrepareOutcome prepare() const {
    Progress progress({}, {.quiet = true});
    return trunnion::prepare(copy_.path() / "specimen", {}, progress);
  }
  [[nodiscard]] fs::path file(const std::string& relative) const {
    return copy_.path() / "specimen" / relative;
  }
  test::SmallSet set_;
  test::TemporaryFolder copy_;
};

TEST_F(CopiedWorkspace, WritesNothingWhereNothingChanged) {
  const auto before = test::hashes_below(file("prepared"));
  const auto time = fs::last_write_time(file("prepared/images/mid_003.tif"));
  EXPECT_EQ(prepare().images_reused, 8);
  EXPECT_EQ(fs::last_write_time(file("prepared/images/mid_003.tif")), time);
  EXPECT_EQ(fs::last_write_time(file("prepared/report/index.html")), time);
  EXPECT_EQ(test::hashes_below(file("prepared")), before);
}

TEST_F(CopiedWorkspace, AChangedMaskRemakesItsImageOnly) {
  const auto time = fs::last_write_time(file("prepared/images/mid_003.tif"));
  write_image(file("fused/mid_005.mask-add.png"), cv::Mat::zeros(160, 240, CV_8U),
              {.type = FileType::png});
  EXPECT_EQ(prepare().images_reused, 7);
  EXPECT_EQ(fs::last_write_time(file("prepared/images/mid_003.tif")), time);
  EXPECT_NE(fs::last_write_time(file("prepared/images/mid_005.tif")), time);
}

TEST_F(CopiedWorkspace, AChangedOutputIsMadeAgain) {
  const auto before = test::hashes_below(file("prepared/images"));
  std::string bytes = read_file(file("prepared/images/mid_003.tif"));
  bytes[bytes.size() / 2] = static_cast<char>(bytes[bytes.size() / 2] ^ 1);
  std::ofstream(file("prepared/images/mid_003.tif"), std::ios::binary | std::ios::trunc) << bytes;
  EXPECT_EQ(prepare().images_reused, 7);
  EXPECT_EQ(test::hashes_below(file("prepared/images")), before);
}

// But for the stages that only prepare has.
std::set<std::string> said_by(const Findings& findings) {
  const std::set<std::string> later{"refine", "annotate", "export"};
  std::set<std::string> said;
  for (const Finding& finding : findings) {
    if (later.contains(finding.stage)) continue;
    said.insert(finding.stage + "|" + finding.file + "|" + finding.what);
  }
  return said;
}

CheckOutcome check_all(const test::SmallSet& set) {
  Progress progress({}, {.quiet = true});
  PrepareOptions options;
  options.every_image = true;
  return check(set.workspace(), options, progress);
}

// One mask painted away, one image without specimen, one painted mask of a wrong size: check must
// say all that prepare says of them, and nothing else.
TEST(Check, SaysOfTheImagesWhatPrepareSays) {
  const test::SmallSet set;
  set.add_settings("[refine]\nenabled = false");
  const fs::path fused = set.workspace() / "fused";
  write_image(fused / "mid_003.mask-subtract.png", cv::Mat(160, 240, CV_8U, cv::Scalar(255)),
              {.type = FileType::png});
  write_image(fused / "mid_006.mask-add.png", cv::Mat(10, 10, CV_8U, cv::Scalar(255)),
              {.type = FileType::png});  // of a wrong size
  cv::Mat empty = read_image(fused / "mid_001.tif");
  empty.setTo(cv::mean(empty(cv::Rect(0, 0, 8, 8))));
  write_image(fused / "mid_001.tif", empty, {});
  const CheckOutcome checked = check_all(set);
  EXPECT_FALSE(fs::exists(set.prepared()));
  const PrepareOutcome prepared = set.prepare();
  EXPECT_EQ(said_by(checked.findings), said_by(prepared.findings));
  const std::string all = testing::PrintToString(said_by(checked.findings));
  EXPECT_THAT(all, HasSubstr("mid_003.tif|No specimen was found."));
  EXPECT_THAT(all, HasSubstr("mid_001.tif|No specimen was found: nothing"));
  EXPECT_THAT(all, Not(HasSubstr("mid_001.tif|No specimen was found.")));  // not twice
  EXPECT_THAT(all, HasSubstr("mask-add.png: is 10 x 10 pixels"));
  EXPECT_EQ(checked.checked.size(), 8U);  // a bad painted mask costs no photograph
}

TEST(Check, DoesNotCallASetPrepared) {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.width_px = 720;  // masks of smaller images are in doubt, rightly
  options.height_px = 480;
  const test::SmallSet set(true, options);
  const CheckOutcome outcome = check_all(set);
  EXPECT_TRUE(outcome.fit());
  EXPECT_EQ(outcome.judgement.sentence,
            "Fit for preparing: all 8 stations were found and no doubt was raised.");
  EXPECT_THAT(summary_of(outcome).sentence, Not(HasSubstr("prepared")));
  EXPECT_EQ(json_of(outcome)["verdict"], outcome.judgement.sentence);
}

// Which of several unreadable images is met first must not matter.
TEST(Check, NamesEveryUnreadableImageOfTheSurvey) {
  const test::SmallSet set;
  for (const char* name : {"mid_001.tif", "mid_004.tif", "mid_006.tif"}) {
    const fs::path file = set.workspace() / "fused" / name;
    std::string bytes = read_file(file);
    // Pixels of a writer that streams stand behind the header: nothing of them is left.
    std::fill(bytes.begin() + 8, bytes.begin() + static_cast<std::ptrdiff_t>(bytes.size() / 2),
              '\xff');
    std::ofstream(file, std::ios::binary | std::ios::trunc) << bytes;
  }
  std::vector<std::string> first;
  for (int run = 0; run < 4; ++run) {
    fs::remove_all(set.workspace() / ".trunnion");
    const CheckOutcome outcome = check_all(set);
    std::vector<std::string> named;
    for (const Finding& finding : outcome.findings) {
      if (finding.stage == "survey" && finding.severity == Severity::fault) {
        named.push_back(finding.file);
      }
    }
    EXPECT_THAT(
        named, testing::ElementsAre("fused/mid_001.tif", "fused/mid_004.tif", "fused/mid_006.tif"));
  }
}

}  // namespace steps_test
}  // namespace trunnion

// [exposure] from specimen.toml to the written images.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <map>
#include <regex>
#include <string>

#include "core/error.h"
#include "core/image_io.h"
#include "datasets/sensor.h"
#include "stages/exposure/exposure.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace exposure_pipeline_test {

namespace fs = std::filesystem;
using testing::HasSubstr;

// What else changes pixels is off; the demo's files hold light as it is (datasets/sensor.h).
constexpr const char* kPlain =
    "[undistort]\nenabled = false\n[repair]\ndust = false\n[refine]\nenabled = false\n";
constexpr const char* kBalanced = "[exposure]\nenabled = true\ncurve = \"linear\"\n";

demo::DemoOptions drifting(int bits = 16) {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.backdrop = demo::BackdropShade::grey;
  options.bits = bits;
  options.faults.drift = 0.15;
  options.faults.no_dust = true;
  return options;
}

// Mean value of the corner, where no specimen stands, of every image.
std::map<std::string, double> corner_levels(const fs::path& folder) {
  std::map<std::string, double> levels;
  for (const auto& entry : fs::directory_iterator(folder)) {
    if (!entry.is_regular_file()) continue;
    const cv::Mat image = read_image(entry.path());
    levels[entry.path().filename().string()] = cv::mean(image(cv::Rect(0, 0, 40, 30)))[1];
  }
  return levels;
}

// Greatest over least.
double spread(const std::map<std::string, double>& levels) {
  const auto by_level = [](const auto& a, const auto& b) { return a.second < b.second; };
  const auto [least, most] = std::minmax_element(levels.begin(), levels.end(), by_level);
  return most->second / least->second;
}

// The factor that the note of each image records, by file.
std::map<std::string, double> recorded_factors(const Findings& findings) {
  static const std::regex pattern("multiplied by ([0-9.]+) \\(tone curve: linear\\)");
  std::map<std::string, double> factors;
  for (const Finding& finding : findings) {
    std::smatch match;
    if (finding.stage != "exposure" || !std::regex_search(finding.what, match, pattern)) continue;
    factors[fs::path(finding.file).filename().string()] = std::stod(match[1]);
  }
  return factors;
}

TEST(PrepareExposure, BringsAllStationsToOneExposure) {
  const test::SmallSet set(true, drifting());
  set.add_settings(std::string(kPlain) + kBalanced);
  EXPECT_GT(spread(corner_levels(set.workspace() / "fused")), 1.1);
  const PrepareOutcome outcome = set.prepare();
  EXPECT_LT(spread(corner_levels(set.prepared() / "images")), 1.005);
  EXPECT_EQ(recorded_factors(outcome.findings).size(), 8U);
}

TEST(PrepareExposure, IsUndoneByTheRecordedFactorToWithinOneCount) {
  for (const int bits : {8, 16}) {
    const test::SmallSet set(true, drifting(bits));
    set.add_settings(std::string(kPlain) + kBalanced);
    const auto factors = recorded_factors(set.prepare().findings);
    ASSERT_EQ(factors.size(), 8U);
    const double full = bits == 16 ? 65535.0 : 255.0;
    for (const auto& [name, factor] : factors) {
      const cv::Mat before = read_image(set.workspace() / "fused" / name);
      cv::Mat after = read_image(set.prepared() / "images" / name);
      ASSERT_EQ(after.type(), before.type());
      EXPECT_GT(cv::norm(after, before, cv::NORM_INF), 2.0);
      EXPECT_EQ(cv::countNonZero(after.reshape(1) == full),
                cv::countNonZero(before.reshape(1) == full));
      exposure::undo(after, exposure::linear_curve(), factor, {});
      EXPECT_LE(cv::norm(after, before, cv::NORM_INF), 1.0) << name;
    }
  }
}

TEST(PrepareExposure, IsOffByDefaultAndOffGivesTheSameBytes) {
  const test::SmallSet set(true, drifting());
  const PrepareOutcome outcome = set.prepare();
  EXPECT_TRUE(recorded_factors(outcome.findings).empty());
  const auto images = test::hashes_below(set.prepared() / "images");
  set.add_settings("[exposure]\nenabled = false");
  (void)set.prepare();
  EXPECT_EQ(test::hashes_below(set.prepared() / "images"), images);
}

TEST(PrepareExposure, IsTakenFromTheJournalAndSaidByCheck) {
  const test::SmallSet set(true, drifting());
  set.add_settings(std::string(kPlain) + kBalanced);
  const auto factors = recorded_factors(set.prepare().findings);
  const PrepareOutcome again = set.prepare();
  EXPECT_EQ(again.images_reused, 8);
  EXPECT_EQ(recorded_factors(again.findings), factors);
  Progress progress({}, {.quiet = true});
  PrepareOptions options;
  options.every_image = true;
  EXPECT_EQ(recorded_factors(check(set.workspace(), options, progress).findings), factors);
}

// The demo's own sensor makes the card; light falls to 1 - vignetting in its corners.
cv::Mat grey_card(const demo::DemoOptions& options) {
  const demo::DemoSet demo(options);
  return demo::expose(cv::Mat(options.height_px, options.width_px, CV_32FC3, cv::Scalar::all(0.5)),
                      demo.sensor(), demo.rig().camera, 0, {.clean = true});
}

TEST(PrepareExposure, EvensOutVignettingByAGreyCard) {
  const demo::DemoOptions options = drifting();
  const test::SmallSet with(true, options);
  const test::SmallSet without(true, options);
  const cv::Mat card = grey_card(options);
  write_image(with.workspace() / "card.tif", card, {});
  with.add_settings(std::string(kPlain) + kBalanced + "grey_card = \"card.tif\"");
  without.add_settings(std::string(kPlain) + kBalanced);
  (void)with.prepare();
  (void)without.prepare();
  const cv::Rect corner(0, 0, 20, 15);
  const double lost = cv::mean(card(corner))[1] / cv::mean(card)[1];
  const double brightest = cv::mean(card(cv::Rect(115, 75, 10, 10)))[1];
  EXPECT_LT(lost, 0.95);
  for (const char* name : {"mid_000.tif", "mid_005.tif"}) {
    const cv::Mat evened = read_image(with.prepared() / "images" / name);
    const cv::Mat plain = read_image(without.prepared() / "images" / name);
    EXPECT_NEAR(cv::mean(evened(corner))[1] / cv::mean(plain(corner))[1],
                brightest / cv::mean(card(corner))[1], 0.01);
  }
  // Another card is another result.
  write_image(with.workspace() / "card.tif", card * 0.9, {});
  EXPECT_EQ(with.prepare().images_reused, 0);
}

TEST(PrepareExposure, RefusesACardThatCantServe) {
  const demo::DemoOptions options = drifting();
  const test::SmallSet set(true, options);
  set.add_settings(std::string(kPlain) + kBalanced + "grey_card = \"card.tif\"");
  const auto refusal = [&set]() -> std::string {
    try {
      (void)set.prepare();
    } catch (const Error& error) {
      EXPECT_EQ(error.kind(), Error::Kind::data);
      return error.what();
    }
    return "";
  };
  EXPECT_THAT(refusal(), HasSubstr("card.tif"));
  const cv::Mat card = grey_card(options);
  write_image(set.workspace() / "card.tif", card(cv::Rect(0, 0, 100, 100)).clone(), {});
  EXPECT_THAT(refusal(), HasSubstr("card.tif: is 100 x 100 pixels, but the set's images are 240"));
  fs::create_directories(set.prepared());
  write_image(set.prepared() / "card.tif", card, {});
  fs::remove(set.workspace() / "card.tif");
  fs::create_symlink(set.prepared() / "card.tif", set.workspace() / "card.tif");
  EXPECT_THAT(refusal(), HasSubstr("where results are written; move it out"));
}

}  // namespace exposure_pipeline_test
}  // namespace trunnion

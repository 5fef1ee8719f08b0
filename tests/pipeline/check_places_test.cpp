// `check --all` sees which place every image shows, before anything is prepared.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "pipeline/prepare.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace check_places_test {

using testing::HasSubstr;
using testing::IsEmpty;

std::vector<std::string> faults_of_check(const test::SmallSet& set) {
  Progress::Options quiet;
  quiet.quiet = true;
  Progress progress({}, quiet);
  PrepareOptions options;
  options.every_image = true;
  options.jobs = 2;
  std::vector<std::string> said;
  for (const Finding& finding : check(set.workspace(), options, progress).findings) {
    if (finding.severity == Severity::fault) said.push_back(finding.what);
  }
  return said;
}

TEST(CheckPlaces, ImagesExchangedAreNamedByCheckOfAllImages) {
  demo::DemoOptions shot = test::SmallSet::small_options();
  shot.stations = 18;
  shot.width_px = 480;
  shot.height_px = 320;
  shot.body = demo::Body::pebble;
  const test::SmallSet set(true, shot);
  EXPECT_THAT(faults_of_check(set), IsEmpty());
  const auto fused = set.workspace() / "fused";
  const auto swap_by = fused / "mid_005.tif.swap";
  std::filesystem::rename(fused / "mid_005.tif", swap_by);
  std::filesystem::rename(fused / "mid_006.tif", fused / "mid_005.tif");
  std::filesystem::rename(swap_by, fused / "mid_006.tif");
  const std::vector<std::string> said = faults_of_check(set);
  ASSERT_EQ(said.size(), 1U);
  EXPECT_THAT(said[0], HasSubstr("mid 5 and mid 6 are exchanged"));
}

}  // namespace check_places_test
}  // namespace trunnion

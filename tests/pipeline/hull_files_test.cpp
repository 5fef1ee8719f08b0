// The visual hull as prepare writes it.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "core/files.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace hull_files_test {

using testing::HasSubstr;

constexpr const char* kOn = "[hull]\nenabled = true  # hull";

TEST(HullFiles, AreWrittenWithTheSetAndStayWhereNothingChanged) {
  const test::SmallSet set;
  set.add_settings(kOn);
  const PrepareOutcome first = set.prepare();
  for (const char* name : {"hull.glb", "hull.ply", "hull.json"}) {
    EXPECT_TRUE(fs::exists(set.prepared() / name)) << name;
    EXPECT_THAT(first.outputs, testing::Contains("prepared/" + std::string(name)));
  }
  EXPECT_THAT(first.hull, HasSubstr("Visual hull: height "));
  const auto hashes = test::hashes_below(set.prepared());
  const PrepareOutcome second = set.prepare();
  EXPECT_EQ(second.hull, first.hull);
  EXPECT_EQ(test::hashes_below(set.prepared()), hashes);
}

TEST(HullFiles, AreTheSameWithOneJobAndRemovedWhereTurnedOff) {
  const test::SmallSet one;
  const test::SmallSet two;
  one.add_settings(kOn);
  two.add_settings(kOn);
  (void)one.prepare(1);
  (void)two.prepare(2);
  EXPECT_EQ(read_file(one.prepared() / "hull.ply"), read_file(two.prepared() / "hull.ply"));
  const fs::path file = two.workspace() / "specimen.toml";
  std::string toml = read_file(file);
  const std::size_t at = toml.find(kOn);
  ASSERT_NE(at, std::string::npos);
  write_file(file, toml.erase(at, std::string(kOn).size()));
  const PrepareOutcome off = two.prepare();
  EXPECT_TRUE(off.hull.empty());
  EXPECT_FALSE(fs::exists(two.prepared() / "hull.ply"));
  EXPECT_FALSE(fs::exists(two.prepared() / "hull.glb"));
  EXPECT_TRUE(fs::exists(two.prepared() / "cameras.json"));
}

// The demo's specimen fills some 8 mm of the axis's height, and its pin leaves the frame.
TEST(HullFiles, SayWhatTheyMeasureAndWhatTheyDoNotSee) {
  const test::SmallSet set;
  set.add_settings(kOn);
  (void)set.prepare();
  const auto json = nlohmann::json::parse(read_file(set.prepared() / "hull.json"));
  EXPECT_GT(json.at("height").at("length_mm"), 6.0);
  EXPECT_LT(json.at("height").at("length_mm"), 14.0);
  EXPECT_TRUE(json.at("height").at("cut_by_frame"));
  EXPECT_FALSE(json.at("width").at("cut_by_frame"));
  EXPECT_GT(json.at("volume").at("upper_bound_mm3"), 1.0);
  EXPECT_GT(json.at("width").at("sigma_mm"), 0.0);
}

}  // namespace hull_files_test
}  // namespace trunnion

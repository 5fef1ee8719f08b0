// A run that finds nothing changed must say the same and write nothing.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "tests/support/small_set.h"

namespace trunnion {
namespace finished_set_test {

namespace fs = std::filesystem;

std::map<std::string, fs::file_time_type> written_at(const fs::path& folder) {
  std::map<std::string, fs::file_time_type> times;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (entry.is_regular_file()) times[entry.path().string()] = fs::last_write_time(entry.path());
  }
  return times;
}

TEST(FinishedSet, IsTakenFromTheJournalWhereNothingChanged) {
  const test::SmallSet set;
  const PrepareOutcome first = set.prepare();
  const auto before = written_at(set.prepared());
  const PrepareOutcome again = set.prepare();
  EXPECT_EQ(written_at(set.prepared()), before);
  EXPECT_EQ(again.judgement.sentence, first.judgement.sentence);
  EXPECT_EQ(again.alignment, first.alignment);
  EXPECT_EQ(again.outputs, first.outputs);
  EXPECT_EQ(again.findings.size(), first.findings.size());
  ASSERT_EQ(again.scene.views.size(), first.scene.views.size());
  EXPECT_EQ(again.scene.refined, first.scene.refined);
  EXPECT_EQ(again.scene.camera, first.scene.camera);
  for (std::size_t i = 0; i < first.scene.views.size(); ++i) {
    EXPECT_EQ(again.scene.views[i].pose.R, first.scene.views[i].pose.R);
    EXPECT_EQ(again.scene.views[i].pose.t, first.scene.views[i].pose.t);
    EXPECT_EQ(again.scene.views[i].covariance, first.scene.views[i].covariance);
  }
  ASSERT_EQ(again.scene.tie_points.size(), first.scene.tie_points.size());
  for (std::size_t i = 0; i < first.scene.tie_points.size(); ++i) {
    EXPECT_EQ(again.scene.tie_points[i].position_mm, first.scene.tie_points[i].position_mm);
    EXPECT_EQ(again.scene.tie_points[i].observations.size(),
              first.scene.tie_points[i].observations.size());
  }
}

TEST(FinishedSet, IsMadeAgainWhereAnOutputIsGoneOrChanged) {
  const test::SmallSet set;
  EXPECT_EQ(set.prepare().images_prepared, 8);
  const auto before = test::hashes_below(set.prepared());
  fs::remove(set.prepared() / "cameras.gltf");
  std::ofstream(set.prepared() / "exterior.csv", std::ios::app) << "changed\n";
  EXPECT_EQ(set.prepare().images_reused, 8);
  const auto after = test::hashes_below(set.prepared());
  for (const char* file : {"cameras.gltf", "exterior.csv", "cameras.json"}) {
    EXPECT_EQ(after.at(file), before.at(file)) << file;
  }
}

TEST(FinishedSet, IsMadeAgainWhereASettingChanged) {
  const test::SmallSet set;
  EXPECT_FALSE(set.prepare().outputs.empty());
  set.add_settings("[refine]\nenabled = false");
  const PrepareOutcome without = set.prepare();
  EXPECT_FALSE(without.scene.refined);
  EXPECT_TRUE(without.alignment.empty());
}

}  // namespace finished_set_test
}  // namespace trunnion

#include "pipeline/journal.h"

#include <gtest/gtest.h>

#include <fstream>
#include <thread>

#include "core/files.h"
#include "core/hash.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace {

TEST(Journal, RemembersAStepByItsFingerprintAcrossRuns) {
  const test::TemporaryFolder folder;
  const auto file = folder.path() / ".trunnion" / "journal.sqlite";
  {
    Journal journal(file);
    journal.record("low_001", "mask", "f1", std::string("a\0b", 3));
  }
  Journal journal(file);
  EXPECT_EQ(journal.find("low_001", "mask", "f1"), std::string("a\0b", 3));
  EXPECT_EQ(journal.find("low_001", "mask", "f2"), std::nullopt);
  journal.record("low_001", "mask", "f2", "new");
  EXPECT_EQ(journal.find("low_001", "mask", "f1"), std::nullopt);
}

TEST(Journal, HashesAnInputAgainOnlyWhenItsStampChanged) {
  const test::TemporaryFolder folder;
  Journal journal(folder.path() / "j.sqlite");
  const auto file = folder.path() / "a.tif";
  write_file(file, "one");
  EXPECT_EQ(journal.input_hash(file), hash_bytes("one"));
  write_file(file, "three");
  EXPECT_EQ(journal.input_hash(file), hash_bytes("three"));
}

TEST(Journal, KeepsOutputs) {
  const test::TemporaryFolder folder;
  Journal journal(folder.path() / "j.sqlite");
  journal.record_output({"prepared/a.tif", 12, 34, "h", "f"});
  journal.record_output({"prepared/b.tif", 1, 2, "h", "f"});
  EXPECT_EQ(journal.output("prepared/a.tif")->bytes, 12U);
  journal.forget_output("prepared/a.tif");
  EXPECT_EQ(journal.outputs().size(), 1U);
}

TEST(Journal, StartsAnewWhereItIsDamaged) {
  const test::TemporaryFolder folder;
  const auto file = folder.path() / "j.sqlite";
  std::ofstream(file) << std::string(9000, 'x');
  Journal journal(file);
  journal.record("a", "mask", "f", "p");
  EXPECT_TRUE(journal.find("a", "mask", "f"));
}

TEST(Journal, TakesRecordsFromSeveralThreads) {
  const test::TemporaryFolder folder;
  Journal journal(folder.path() / "j.sqlite");
  std::vector<std::thread> threads;
  for (int t = 0; t < 4; ++t) {
    threads.emplace_back([&journal, t] {
      for (int i = 0; i < 50; ++i) {
        journal.record(std::to_string(t) + "_" + std::to_string(i), "mask", "f", "p");
      }
    });
  }
  for (std::thread& thread : threads) thread.join();
  EXPECT_TRUE(journal.find("3_49", "mask", "f"));
}

}  // namespace
}  // namespace trunnion

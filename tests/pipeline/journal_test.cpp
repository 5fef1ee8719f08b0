#include "pipeline/journal.h"

#include <gtest/gtest.h>

#include <fstream>
#include <thread>

#include "core/files.h"
#include "core/hash.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace journal_test {

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

TEST(Journal, StartsAgainWhereItIsDamaged) {
  const test::TemporaryFolder folder;
  const auto file = folder.path() / "j.sqlite";
  std::ofstream(file) << std::string(9000, 'x');
  Journal journal(file);
  journal.record("a", "mask", "f", "p");
  EXPECT_TRUE(journal.find("a", "mask", "f"));
}

// Damage inside a page's content is none to the database: the row's checksum finds it.
TEST(Journal, AChangedByteIsFoundWhereTheRowIsRead) {
  const test::TemporaryFolder folder;
  const auto file = folder.path() / "j.sqlite";
  const std::string payload(20'000, 'p');
  { Journal(file).record("a", "mask", "f", payload); }
  std::string bytes = read_file(file);
  const std::size_t at = bytes.find(std::string(3000, 'p'));
  ASSERT_NE(at, std::string::npos);
  bytes[at + 1500] = 'q';
  write_file(file, bytes);
  EXPECT_THROW((void)Journal(file).find("a", "mask", "f"), JournalDamaged);
  int runs = 0;
  const auto found = with_sound_journal(file, [&] {
    ++runs;
    return Journal(file).find("a", "mask", "f");
  });
  EXPECT_EQ(found, std::nullopt);
  EXPECT_EQ(runs, 2);
}

TEST(Journal, DamageIsNoDataErrorOfAnInput) {
  EXPECT_EQ(JournalDamaged("j").kind(), Error::Kind::output);
}

// Written in place, so a second name or a link would carry the writing to another file.
TEST(Journal, ALinkIsReplacedAndNotWrittenThrough) {
  const test::TemporaryFolder folder;
  const auto original = folder.path() / "original.tif";
  for (const char* name : {"j.sqlite", "j.sqlite-wal", "j.sqlite-shm"}) {
    write_file(original, std::string(9000, 'x'));
    fs::create_hard_link(original, folder.path() / name);
    { Journal(folder.path() / "j.sqlite").record("a", "mask", "f", "p"); }
    EXPECT_EQ(read_file(original), std::string(9000, 'x')) << name;
    remove_journal(folder.path() / "j.sqlite");
  }
}

TEST(Journal, WhatCannotBeWrittenIsNoDamage) {
  const test::TemporaryFolder folder;
  write_file(folder.path() / "file", "x");
  try {
    const Journal journal(folder.path() / "file/j.sqlite");
    FAIL() << "a journal below a file was opened";
  } catch (const Error& error) {
    EXPECT_EQ(error.kind(), Error::Kind::output);
  }
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

}  // namespace journal_test
}  // namespace trunnion

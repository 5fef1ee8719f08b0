#include "core/files.h"

#include <gtest/gtest.h>

#include <fstream>

#include "core/error.h"
#include "core/hash.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace files_test {

TEST(Files, AnUncommittedFileLeavesNothing) {
  const test::TemporaryFolder folder;
  const auto path = folder.path() / "sub" / "a.txt";
  {
    const PendingFile pending(path);
    EXPECT_EQ(pending.temporary().extension(), ".txt");
    write_file(pending.temporary(), "half");
  }
  EXPECT_TRUE(fs::is_empty(folder.path() / "sub"));
}

TEST(Files, ACommittedFileReplacesTheOldOneWhole) {
  const test::TemporaryFolder folder;
  const auto path = folder.path() / "a.txt";
  write_file(path, "old");
  write_file(path, "new and longer");
  EXPECT_EQ(read_file(path), "new and longer");
  EXPECT_EQ(std::distance(fs::directory_iterator(folder.path()), fs::directory_iterator()), 1);
}

TEST(Files, ClearsWhatAKilledRunLeftAndNothingElse) {
  const test::TemporaryFolder folder;
  write_file(folder.path() / "keep.tif", "x");
  write_file(folder.path() / (std::string(kTemporaryPrefix) + "b.tif"), "x");
  EXPECT_EQ(remove_leftovers(folder.path()), 1);
  EXPECT_TRUE(fs::exists(folder.path() / "keep.tif"));
}

// 255 bytes are the most that common file systems take (NAME_MAX of Linux).
TEST(Files, TheLongestNameIsWritten) {
  const test::TemporaryFolder folder;
  const fs::path path = folder.path() / (std::string(251, 'n') + ".txt");
  write_file(path, "x");
  EXPECT_EQ(read_file(path), "x");
  const fs::path report = folder.path() / std::string(255, 'f');
  PendingFolder pending(report);
  write_file(pending.temporary() / "a", "x");
  pending.commit();
  EXPECT_TRUE(fs::exists(report / "a"));
}

TEST(Files, ALinkUnderTheTemporaryNameIsNotWrittenThrough) {
  const test::TemporaryFolder folder;
  const fs::path original = folder.path() / "original.tif";
  write_file(original, "original");
  for (const bool hard : {false, true}) {
    const fs::path place = folder.path() / (std::string(kTemporaryPrefix) + "b.tif");
    hard ? fs::create_hard_link(original, place) : fs::create_symlink(original, place);
    const PendingFile pending(folder.path() / "b.tif");
    std::ofstream(pending.temporary()) << "new";
    EXPECT_EQ(read_file(original), "original");
  }
}

TEST(Files, WhatCannotBeWrittenIsAnErrorOfItsOwnKind) {
  const test::TemporaryFolder folder;
  write_file(folder.path() / "file", "x");
  const auto kind_of = [](const auto& work) {
    try {
      work();
    } catch (const Error& error) {
      return error.kind();
    }
    return Error::Kind::usage;
  };
  EXPECT_EQ(kind_of([&] { write_file(folder.path() / "file/a", "x"); }), Error::Kind::output);
  EXPECT_EQ(kind_of([&] { write_file("/dev/full/a", "x"); }), Error::Kind::output);
  EXPECT_EQ(kind_of([&] { sync_file(folder.path() / "none"); }), Error::Kind::output);
  EXPECT_EQ(kind_of([&] { (void)read_file(folder.path() / "none"); }), Error::Kind::data);
}

TEST(Files, FindsControlCharactersInNames) {
  EXPECT_FALSE(holds_control_character("Käfer 1.tif"));
  for (const char* name : {"a\nb", "\x1b[31m", "a\x7f"}) EXPECT_TRUE(holds_control_character(name));
}

TEST(Files, NamesWhatCannotBeRead) {
  const test::TemporaryFolder folder;
  EXPECT_THROW(read_file(folder.path() / "none"), Error);
  EXPECT_THROW(read_file(folder.path()), Error);
  write_file(folder.path() / "big", std::string(100, 'x'));
  EXPECT_THROW(read_file(folder.path() / "big", 99), Error);
}

// Published test vector: XXH3_128bits of the empty input with seed 0, as printed by the reference
// command `xxhsum -H2` (xxHash 0.8): 99aa06d3014798d86001c324468d497f (value from memory).
TEST(Hash, MatchesTheReferenceOnEmptyInput) {
  EXPECT_EQ(hash_bytes(""), "99aa06d3014798d86001c324468d497f");
}

TEST(Hash, OfAFileIsThatOfItsBytes) {
  const test::TemporaryFolder folder;
  const std::string content(3'000'000, 'q');
  write_file(folder.path() / "a", content);
  EXPECT_EQ(hash_file(folder.path() / "a"), hash_bytes(content));
}

}  // namespace files_test
}  // namespace trunnion

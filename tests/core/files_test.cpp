#include "core/files.h"

#include <gtest/gtest.h>

#include "core/error.h"
#include "core/hash.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace {

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

}  // namespace
}  // namespace trunnion

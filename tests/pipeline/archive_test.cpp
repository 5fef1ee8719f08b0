#include "pipeline/archive.h"

#include <gtest/gtest.h>

#include <type_traits>

#include "core/camera.h"

namespace trunnion {
namespace archive_test {

// Bytes between the fields of a struct are of no value: hashed, they would make equal sets differ.
static_assert(!std::is_invocable_v<ArchiveWriter, Camera&>);
static_assert(!std::is_invocable_v<ArchiveReader, Camera&>);
static_assert(std::is_invocable_v<ArchiveWriter, double&>);

TEST(Archive, GivesBackWhatItTook) {
  struct Values {
    int number = 7;
    std::array<double, 2> pair{1.5, -2.5};
    std::string text{"a\0b", 3};
  };
  const auto fields = [](auto& archive, Values& values) {
    archive(values.number);
    archive(values.pair);
    archive(values.text);
  };
  Values changed;
  changed.pair = {3.0, 4.0};
  const std::string bytes = to_archive(changed, fields);
  EXPECT_EQ(bytes.size(), 4U + 16U + 8U + 3U);
  const auto read = from_archive<Values>(bytes, fields);
  EXPECT_EQ(read.pair, changed.pair);
  EXPECT_EQ(read.text, changed.text);
}

TEST(Archive, BytesThatEndTooSoonAreADamagedJournal) {
  const auto fields = [](auto& archive, double& value) { archive(value); };
  EXPECT_THROW((void)from_archive<double>("1234567", fields), JournalDamaged);
}

}  // namespace archive_test
}  // namespace trunnion

#include "pipeline/output_store.h"

#include <gtest/gtest.h>

#include "core/files.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace output_store_test {

class OutputStoreTest : public testing::Test {
 protected:
  fs::path root() const { return folder_.path() / "workspace"; }
  // Journal entry of a file as it stands.
  void enter(const std::string& relative) {
    const FileStamp stamp = stamp_of(root() / relative);
    journal_.record_output({relative, stamp.bytes, stamp.modified_ns, "", "old"});
  }
  test::TemporaryFolder folder_;
  Journal journal_{folder_.path() / "workspace/.trunnion/journal.sqlite"};
};

TEST_F(OutputStoreTest, RemovesWhatNoLongerBelongs) {
  write_file(root() / "prepared/a.tif", "old");
  enter("prepared/a.tif");
  OutputStore store(journal_, root(), false);
  EXPECT_EQ(store.remove_stale(), std::vector<std::string>{"prepared/a.tif"});
  EXPECT_FALSE(fs::exists(root() / "prepared/a.tif"));
}

TEST_F(OutputStoreTest, AStrangersJournalRemovesNothingElsewhere) {
  write_file(folder_.path() / "letter.txt", "mine");
  write_file(root() / "fused/a.tif", "original");
  for (const char* path :
       {"../letter.txt", "prepared/../../letter.txt", "fused/a.tif", "prepared/../fused/a.tif"}) {
    enter(path);
  }
  enter((folder_.path() / "letter.txt").string());
  OutputStore store(journal_, root(), false);
  EXPECT_TRUE(store.remove_stale().empty());
  EXPECT_TRUE(fs::exists(folder_.path() / "letter.txt"));
  EXPECT_TRUE(fs::exists(root() / "fused/a.tif"));
}

TEST_F(OutputStoreTest, AFileReplacedByHandStays) {
  write_file(root() / "prepared/notes.txt", "old");
  enter("prepared/notes.txt");
  write_file(root() / "prepared/notes.txt", "written by hand");
  OutputStore store(journal_, root(), false);
  EXPECT_TRUE(store.remove_stale().empty());
  EXPECT_TRUE(fs::exists(root() / "prepared/notes.txt"));
}

}  // namespace output_store_test
}  // namespace trunnion

#include "config/collection.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "config/settings.h"
#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace collection_test {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

constexpr const char* kRing = "[[ring]]\nname=\"a\"\nstations=3\npattern=\"f/{station}.tif\"\n";

class CollectionTest : public ::testing::Test {
 protected:
  void write(const std::string& name, const std::string& text) const {
    write_file(root() / name, text);
  }
  void specimen(const std::string& name, const std::string& text = kRing) const {
    write(name + "/specimen.toml", text);
  }
  [[nodiscard]] fs::path root() const { return folder_.path(); }
  [[nodiscard]] SpecimenFile read(const std::string& name) const {
    return read_specimen(root() / name / "specimen.toml");
  }
  [[nodiscard]] std::string mistake_of(const std::string& name) const {
    try {
      (void)read(name);
    } catch (const Error& error) {
      return error.what();
    }
    return "none";
  }

 private:
  test::TemporaryFolder folder_;
};

// POSIX.1-2017, 2.13 (pattern matching notation): * and ? match within a name, a leading period
// only by itself; ** is ours.
TEST(CollectionPattern, FitsNamesPartByPart) {
  EXPECT_TRUE(fits_pattern("drawer-*/*", "drawer-1/beetle"));
  EXPECT_FALSE(fits_pattern("drawer-*/*", "drawer-1/beetle/more"));
  EXPECT_FALSE(fits_pattern("drawer-*/*", "drawer-1"));
  EXPECT_FALSE(fits_pattern("*", ".hidden"));
  EXPECT_TRUE(fits_pattern("a[0-9]", "a7"));
  EXPECT_TRUE(fits_pattern("**/s?", "s1"));
  EXPECT_TRUE(fits_pattern("**/s?", "a/b/c/s1"));
  EXPECT_TRUE(fits_pattern("a/**", "a/b/c"));
  EXPECT_FALSE(fits_pattern("a/**/z", "a/b/c"));
}

TEST_F(CollectionTest, FindsTheWorkspacesThatItNames) {
  write("collection.toml", "workspaces = [\"drawer-*/*\"]\nleave_out = [\"drawer-2/test-*\"]\n");
  for (const char* name : {"drawer-2/b", "drawer-1/a", "drawer-2/test-1", "other/c", "drawer-1"}) {
    write(std::string(name) + "/note.txt", "");
  }
  for (const char* name : {"drawer-2/b", "drawer-1/a", "drawer-2/test-1", "other/c"}) {
    specimen(name);
  }
  const auto collection = read_collection(root());
  EXPECT_THAT(collection->find(), ElementsAre("drawer-1/a", "drawer-2/b"));
  EXPECT_EQ(collection, collection_of(root() / "drawer-1/a/"));
  EXPECT_EQ(collection_of(root() / "other/c"), nullptr);
}

TEST_F(CollectionTest, FillsWhatASpecimenLeavesOut) {
  write("collection.toml", R"(workspaces = ["*"]
[defaults]
setup = "setups/macro.toml"
[defaults.mask]
margin_px = 2
keep_holes = false
[defaults.record]
institution = "MUS"
[[some]]
workspaces = ["b*"]
[some.mask]
margin_px = 3
[[some]]
workspaces = ["bb"]
setup = "setups/other.toml"
)");
  specimen("a", std::string("setup = \"own.toml\"\n") + kRing + "[mask]\nmargin_px = 5\n");
  specimen("b");
  specimen("bb");
  EXPECT_EQ(read("a").settings.mask.margin_px, 5);
  EXPECT_FALSE(read("a").settings.mask.keep_holes);
  EXPECT_EQ(read("a").specimen.setup_file, root() / "a/own.toml");
  EXPECT_EQ(read("b").settings.mask.margin_px, 3);
  EXPECT_EQ(read("b").specimen.setup_file, root() / "setups/macro.toml");
  EXPECT_EQ(read("bb").settings.mask.margin_px, 3);
  EXPECT_EQ(read("bb").specimen.setup_file, root() / "setups/other.toml");
  EXPECT_EQ(read("b").specimen.record.institution, "MUS");
  // What steps are fingerprinted by is what was given, wherever it stands.
  EXPECT_THAT(read("b").settings.text_of("mask.margin_px"), HasSubstr("3"));
  EXPECT_NE(read("b").inherited, read("bb").inherited);
  EXPECT_THAT(read("b").inherited, Not(HasSubstr("workspaces")));
}

TEST_F(CollectionTest, ATableOfTheCollectionGivesTheRecord) {
  write("collection.toml",
        "workspaces = [\"*\"]\nrecords = \"s.csv\"\n[defaults]\nsetup = \"m.toml\"\n"
        "[defaults.record]\nrights = \"default\"\ninstitution = \"MUS\"\n");
  write("s.csv", "catalogNumber,scientificName,rights\nB 1,One,table\nB 2,Two,table\n");
  specimen("B 1");  // by its folder
  specimen("x", std::string(kRing) + "[record]\ncatalogue_number = \"B 2\"\nrights = \"own\"\n");
  specimen("y");
  EXPECT_EQ(read("B 1").specimen.record.catalogue_number, "B 1");
  EXPECT_EQ(read("B 1").specimen.record.taxon, "One");
  EXPECT_EQ(read("B 1").specimen.record.rights, "table");
  EXPECT_EQ(read("x").specimen.record.taxon, "Two");
  EXPECT_EQ(read("x").specimen.record.rights, "own");
  EXPECT_EQ(read("y").specimen.record.rights, "default");
  EXPECT_EQ(read("y").specimen.record.catalogue_number, "");
}

TEST_F(CollectionTest, AMistakeNamesTheFileThatItStandsIn) {
  write("collection.toml",
        "workspaces = [\"*\"]\n[defaults]\nsetup = \"m.toml\"\n[defaults.mask]\nmargin = 2\n");
  specimen("a", std::string(kRing) + "[mask]\nkeep_hole = true\n");
  const std::string mistake = mistake_of("a");
  EXPECT_THAT(mistake, HasSubstr((root() / "collection.toml").string() + " (for "));
  EXPECT_THAT(mistake, HasSubstr("mask.margin is not a known key"));
  EXPECT_THAT(mistake, HasSubstr((root() / "a/specimen.toml").string() +
                                 ", line 6: mask.keep_hole is not a known key"));
}

TEST_F(CollectionTest, ItsOwnMistakesAreNamed) {
  const auto refusal = [this](const std::string& text) {
    write("collection.toml", text);
    try {
      read_collection(root());
    } catch (const Error& error) {
      return std::string(error.what());
    }
    return std::string("none");
  };
  EXPECT_THAT(refusal("title = \"x\"\n"), HasSubstr("workspaces is missing"));
  EXPECT_THAT(refusal("workspaces = [\"../*\"]\n"), HasSubstr("below the collection's own"));
  EXPECT_THAT(refusal("workspaces = \"a\"\n"), HasSubstr("must be a list of strings"));
  EXPECT_THAT(refusal("workspaces = [\"*\"]\nrecord = \"s.csv\"\n"),
              HasSubstr("did you mean \"records\""));
  EXPECT_THAT(refusal("workspaces = [\"*\"]\n[[some]]\nsetup = \"a\"\n"),
              HasSubstr("some[1].workspaces is missing"));
  EXPECT_THAT(refusal("workspaces = [\"*\"]\nrecords = \"gone.csv\"\n"), HasSubstr("gone.csv"));
  EXPECT_THAT(refusal("format = 2\nworkspaces = [\"*\"]\n"), HasSubstr("2"));
  EXPECT_THROW(read_collection(root() / "nothing"), Error);
}

TEST_F(CollectionTest, AChangedFileIsReadAgain) {
  write("collection.toml", "workspaces = [\"*\"]\n[defaults]\nsetup = \"first.toml\"\n");
  specimen("a");
  EXPECT_EQ(read("a").specimen.setup_file.filename(), "first.toml");
  write("collection.toml", "workspaces = [\"*\"]\n[defaults]\nsetup = \"second one.toml\"\n");
  EXPECT_EQ(read("a").specimen.setup_file.filename(), "second one.toml");
}

}  // namespace collection_test
}  // namespace trunnion

// Packages: read by an independent reader (tests/pipeline/bag/read_bag.py, Python's standard
// library alone), damaged in 100 ways, made twice.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <functional>
#include <random>
#include <vector>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "pipeline/bag/bag.h"
#include "tests/support/outside_programs.h"
#include "tests/support/small_set.h"

namespace trunnion::bag {
namespace hand_over_test {

using ::testing::HasSubstr;

class SlowHandOver : public ::testing::Test {
 protected:
  static void SetUpTestSuite() {
    set() = std::make_unique<test::SmallSet>();
    set()->add_settings(
        "[record]\ncatalogue_number = \"B 1\"\ninstitution = \"MUS\"\nlabel = \"two\\nlines\"\n");
    (void)set()->prepare();
    packed() = set()->root() / "package";
    pack(open_workspace(set()->workspace()), packed());
  }
  static void TearDownTestSuite() { set().reset(); }
  static std::unique_ptr<test::SmallSet>& set() {
    static std::unique_ptr<test::SmallSet> one;
    return one;
  }
  static fs::path& packed() {
    static fs::path folder;
    return folder;
  }
  static std::vector<std::string> files() {
    std::vector<std::string> names;
    for (const auto& [name, hash] : test::hashes_below(packed())) names.push_back(name);
    return names;
  }
  static void expect_read(const fs::path& folder, int expected) {
    const std::string python = test::python_with("hashlib");
    ASSERT_FALSE(python.empty());
    const test::Outcome read = test::run(
        python + " " + (test::source_folder() / "tests/pipeline/bag/read_bag.py").string() + " '" +
        folder.string() + "'");
    EXPECT_EQ(read.exit_code, expected) << read.out;
  }
};

TEST_F(SlowHandOver, IsWholeForAnIndependentReader) {
  expect_read(packed(), 0);
  const BagCheck result = check(packed());
  EXPECT_TRUE(result.findings.empty());
  EXPECT_EQ(result.files, files().size() - 1);  // all but the tag manifest itself
  const std::string info = read_file(packed() / "bag-info.txt");
  EXPECT_THAT(info, HasSubstr("External-Identifier: B 1\n"));
  EXPECT_THAT(info, HasSubstr("Source-Organization: MUS\n"));
  EXPECT_TRUE(fs::exists(packed() / "data/prepared/cameras.json"));
  EXPECT_TRUE(fs::exists(packed() / "data/setup/demo.calibration.json"));
  EXPECT_EQ(test::run_trunnion({"verify", packed().string()}).exit_code, 0);
}

TEST_F(SlowHandOver, TheSameWorkspaceGivesTheSameBytes) {
  const fs::path again = set()->root() / "again";
  pack(open_workspace(set()->workspace()), again);
  EXPECT_EQ(test::hashes_below(packed()), test::hashes_below(again));
}

TEST_F(SlowHandOver, RefusesWhatIsNotReady) {
  const test::SmallSet fresh;
  EXPECT_THROW(pack(open_workspace(fresh.workspace()), fresh.root() / "p"), Error);
  EXPECT_FALSE(fs::exists(fresh.root() / "p"));
  EXPECT_THROW(pack(open_workspace(set()->workspace()), packed()), Error);  // is there already
  (void)fresh.prepare();
  std::ofstream(fresh.prepared() / "cameras.json", std::ios::app) << " ";
  try {
    pack(open_workspace(fresh.workspace()), fresh.root() / "p");
    FAIL() << "packed a changed output";
  } catch (const Error& error) {
    EXPECT_THAT(error.what(), HasSubstr("trunnion prepare"));
  }
  EXPECT_FALSE(fs::exists(fresh.root() / "p"));
}

void flip_byte(const fs::path& file, std::size_t at) {
  std::fstream stream(file, std::ios::in | std::ios::out | std::ios::binary);
  stream.seekg(static_cast<std::streamoff>(at));
  const char now = static_cast<char>(stream.get());
  stream.seekp(static_cast<std::streamoff>(at));
  stream.put(static_cast<char>(now ^ 0x20));  // a letter changes its case, which a hash may have
}

// One way after another over the files: a byte changed, the end cut off, a byte added, the file
// gone, renamed, emptied, exchanged with another, a file put beside it, made a link, a line of a
// manifest taken out or doubled.
void damage(const fs::path& bag, const fs::path& file, int way, std::mt19937& random) {
  const auto size = static_cast<std::size_t>(fs::file_size(file));
  const auto place = [&] {
    return std::uniform_int_distribution<std::size_t>(0, size - 1)(random);
  };
  switch (way) {
    case 0:
      return flip_byte(file, place());
    case 1:
      return fs::resize_file(file, size - 1);
    case 2:
      std::ofstream(file, std::ios::app) << '\n';
      return;
    case 3:
      fs::remove(file);
      return;
    case 4:
      fs::rename(file, file.string() + "x");
      return;
    case 5:
      fs::resize_file(file, 0);
      return;
    case 6:
      fs::copy_file(bag / "bagit.txt", file.string() + ".copy");
      return;
    case 7:
      fs::rename(file, bag.parent_path() / "outside");
      fs::create_symlink(bag.parent_path() / "outside", file);
      return;
    case 8: {
      std::string text = read_file(file);
      write_file(
          file, text.substr(text.find('\n') == std::string::npos ? size / 2 : text.find('\n') + 1));
      return;
    }
    default: {
      const std::string text = read_file(file);
      write_file(file, text + text.substr(0, text.find('\n') + 1));
      return;
    }
  }
}

TEST_F(SlowHandOver, AHundredDamagesAreFound) {
  const std::vector<std::string> names = files();
  std::mt19937 random(26);
  int found = 0;
  for (int i = 0; i < 100; ++i) {
    const test::TemporaryFolder folder;
    const fs::path bag = folder.path() / "bag";
    fs::copy(packed(), bag, fs::copy_options::recursive);
    // Every tag file in every way, then payload files.
    const std::vector<std::string> tags{"bagit.txt", "bag-info.txt", "manifest-sha512.txt",
                                        "tagmanifest-sha512.txt"};
    const std::string name =
        i < 40 ? tags[static_cast<std::size_t>(i / 10)]
               : names[std::uniform_int_distribution<std::size_t>(0, names.size() - 1)(random)];
    damage(bag, bag / name, i % 10, random);
    const bool seen = !check(bag).findings.empty();
    EXPECT_TRUE(seen) << name << " in way " << i % 10;
    found += seen ? 1 : 0;
  }
  EXPECT_EQ(found, 100);
}

// RFC 8493, 2.1.3: a path that leads out of the package must be refused; section 5.2 says why.
TEST_F(SlowHandOver, ReadsNothingOutside) {
  const test::TemporaryFolder folder;
  const fs::path bag = folder.path() / "bag";
  write_file(folder.path() / "secret", "x");
  write_file(bag / "bagit.txt", kDeclaration);
  write_file(bag / "data/a", "a");
  write_file(bag / "manifest-sha256.txt", digest_of(bag / "data/a", "sha256") + "  data/a\n" +
                                              digest_of(folder.path() / "secret", "sha256") +
                                              "  data/../../secret\n");
  const BagCheck result = check(bag);
  ASSERT_EQ(result.findings.size(), 1U);
  EXPECT_THAT(result.findings[0].what, HasSubstr("has no place"));
}

// Made by hand after RFC 8493, section 4.2's example: other algorithm, a file with a blank and a
// percent sign in its name, no tag manifest; SHA-256 of "abc" by FIPS 180-4's example.
TEST_F(SlowHandOver, AnothersPackageIsCheckedByTheRfcAlone) {
  const test::TemporaryFolder folder;
  write_file(folder.path() / "bagit.txt", kDeclaration);
  write_file(folder.path() / "data/one %", "abc");
  const std::string line =
      "BA7816BF8F01CFEA414140DE5DAE2223B00361A396177A9CB410FF61F20015AD  data/one %25\n";
  write_file(folder.path() / "manifest-sha256.txt", line);
  write_file(folder.path() / "notes.txt", "other tag files are allowed");
  EXPECT_TRUE(check(folder.path()).findings.empty());
  write_file(folder.path() / "data/two", "not listed");
  EXPECT_FALSE(check(folder.path()).findings.empty());
}

}  // namespace hand_over_test
}  // namespace trunnion::bag

// What a run does where its own files fail it: a write that fails, a journal that is damaged. None
// of it says anything of the inputs, and nothing finished may be lost.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <cstdlib>
#include <fstream>
#include <random>

#include "config/output_names.h"
#include "core/files.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace failed_outputs_test {

using testing::HasSubstr;

demo::DemoOptions few_stations() {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 4;
  options.width_px = 180;
  options.height_px = 144;
  return options;
}

test::ProgramRun prepare_alone(const test::SmallSet& set) {
  return test::run_trunnion({"prepare", set.workspace().string(), "--jobs", "1"});
}

// tests/write_failures.sh fails every call in turn; this, some from the first to the last.
class FailedWrites : public testing::Test {
 protected:
  static test::ProgramRun failing(const test::SmallSet& set, long call) {
    const std::string count = (set.root() / "count").string();
    for (const auto& [name, value] : variables(set, call, count)) {
      setenv(name.c_str(), value.c_str(), 1);
    }
    test::ProgramRun run = prepare_alone(set);
    for (const auto& [name, value] : variables(set, call, count)) unsetenv(name.c_str());
    return run;
  }
  static long calls(const test::SmallSet& set) {
    return std::stol(read_file(set.root() / "count"));
  }

 private:
  static std::map<std::string, std::string> variables(const test::SmallSet& set, long call,
                                                      const std::string& count) {
    return {{"TRUNNION_FAIL_BELOW", set.workspace().string()},
            {"TRUNNION_FAIL_AT", std::to_string(call)},
            {"TRUNNION_FAIL_COUNT", count},
            {"LD_PRELOAD", TRUNNION_FAIL_WRITES}};
  }
};

TEST_F(FailedWrites, AfterAChangedSettingNothingFinishedIsLostAndNoImageIsBlamed) {
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
  GTEST_SKIP() << "SKIPPED: the sanitizers must be loaded before anything else";
#endif
  const test::SmallSet set(true, few_stations());
  ASSERT_EQ(prepare_alone(set).exit_code, 0);
  const auto before = test::hashes_below(set.prepared());
  set.add_settings("[undistort]\ninterpolation = \"lanczos\"");
  const fs::path start = set.root() / "start";
  // Size and time stamp say what is current, so a copy must keep them.
  const auto copy = [](const fs::path& from, const fs::path& to) {
    ASSERT_EQ(std::system(("cp -a '" + from.string() + "' '" + to.string() + "'").c_str()), 0);
  };
  copy(set.workspace(), start);
  ASSERT_EQ(failing(set, 0).exit_code, 0);
  const auto after = test::hashes_below(set.prepared());
  const long total = calls(set);
  ASSERT_GT(total, 40);
  int stopped = 0;
  for (long part = 0; part < 12; ++part) {
    const long call = 1 + part * (total - 1) / 11;
    fs::remove_all(set.workspace());
    copy(start, set.workspace());
    const test::ProgramRun run = failing(set, call);
    ASSERT_TRUE(run.exit_code == 0 || run.exit_code == 1) << run.err;
    if (run.exit_code == 1) {
      ++stopped;
      EXPECT_THAT(run.err, HasSubstr("trunnion: ")) << "call " << call;
    }
    EXPECT_THAT(run.out + run.err, testing::Not(HasSubstr("Repair this image"))) << "call " << call;
    const auto now = test::hashes_below(set.prepared());
    for (const auto& [file, hash] : before) {
      if (file.starts_with("report/")) continue;  // holds times
      ASSERT_TRUE(now.contains(file)) << file << " is gone after call " << call;
      EXPECT_TRUE(now.at(file) == hash || now.at(file) == after.at(file)) << file;
    }
  }
  EXPECT_GT(stopped, 3);
  EXPECT_EQ(prepare_alone(set).exit_code, 0);
  for (const auto& [file, hash] : test::hashes_below(set.prepared())) {
    if (file.starts_with("report/")) continue;
    EXPECT_EQ(hash, after.at(file)) << file;
  }
}

class DamagedJournal : public testing::Test {
 protected:
  // Four pages from the middle on, as a bad disk would leave them; the same each time.
  void damage() const {
    constexpr std::streamoff kPage = 4096;
    const fs::path file = set_.workspace() / ".trunnion/journal.sqlite";
    const auto pages = static_cast<std::streamoff>(fs::file_size(file)) / kPage;
    ASSERT_GT(pages, 10);
    std::mt19937 random(7);
    std::string noise(4 * kPage, '\0');
    for (char& c : noise) c = static_cast<char>(random());
    std::fstream stream(file, std::ios::binary | std::ios::in | std::ios::out);
    stream.seekp(pages / 2 * kPage);
    stream.write(noise.data(), static_cast<std::streamsize>(noise.size()));
    ASSERT_TRUE(stream.good());
  }
  test::SmallSet set_{true, few_stations()};
};

TEST_F(DamagedJournal, IsStartedAgainAndOutputsStay) {
  (void)set_.prepare();
  const auto images = test::hashes_below(set_.prepared() / "images");
  const auto masks = test::hashes_below(set_.prepared() / "masks");
  damage();
  const test::ProgramRun run = prepare_alone(set_);
  EXPECT_EQ(run.exit_code, 0) << run.err;
  EXPECT_EQ(test::hashes_below(set_.prepared() / "images"), images);
  EXPECT_EQ(test::hashes_below(set_.prepared() / "masks"), masks);
  const auto before = fs::last_write_time(set_.prepared() / "images/mid_000.tif");
  EXPECT_EQ(prepare_alone(set_).exit_code, 0);
  EXPECT_EQ(fs::last_write_time(set_.prepared() / "images/mid_000.tif"), before)
      << "the new journal serves as any other";
}

// Verifying against an empty journal would find that everything fits.
TEST_F(DamagedJournal, IsNotVerifiedAgainst) {
  (void)set_.prepare();
  damage();
  const test::ProgramRun run = test::run_trunnion({"verify", set_.workspace().string()});
  EXPECT_EQ(run.exit_code, 1);
  EXPECT_THAT(run.err, HasSubstr("journal is damaged"));
}

// FAT and exFAT, as memory cards and external disks have them, know no hard links (link(2): EPERM).
TEST(Disks, WithoutHardLinksServe) {
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
  GTEST_SKIP() << "SKIPPED: the sanitizers must be loaded before anything else";
#endif
  const test::SmallSet set(true, few_stations());
  setenv("LD_PRELOAD", TRUNNION_FAIL_WRITES, 1);
  setenv("TRUNNION_NO_HARD_LINKS", "1", 1);
  const test::ProgramRun first = prepare_alone(set);
  const test::ProgramRun second = prepare_alone(set);
  unsetenv("LD_PRELOAD");
  unsetenv("TRUNNION_NO_HARD_LINKS");
  EXPECT_EQ(first.exit_code, 0) << first.err;
  EXPECT_EQ(second.exit_code, 0) << second.err;
  EXPECT_TRUE(fs::exists(set.prepared() / "cameras.json"));
}

TEST(OwnOutputs, EveryOneIsKnownToTheCheckOfTemplates) {
  const test::SmallSet set(true, few_stations());
  (void)set.prepare();
  for (const auto& entry : fs::directory_iterator(set.prepared())) {
    EXPECT_FALSE(own_output_at(entry.path().filename().string()).empty()) << entry.path();
  }
}

TEST(Originals, AreNotOverwrittenThroughALinkBelowTheOutputs) {
  const test::SmallSet set(true, few_stations());
  const auto originals = test::hashes_below(set.workspace() / "fused");
  for (const char* link : {"prepared/images", "prepared/masks", "prepared/report",
                           ".trunnion/encoded", "prepared", ".trunnion"}) {
    fs::remove_all(set.prepared());
    fs::remove_all(set.workspace() / ".trunnion");
    fs::create_directories((set.workspace() / link).parent_path());
    fs::create_directory_symlink(set.workspace() / "fused", set.workspace() / link);
    const test::ProgramRun run = prepare_alone(set);
    EXPECT_EQ(run.exit_code, 1) << link;
    EXPECT_THAT(run.err, HasSubstr((set.workspace() / link).string())) << link;
    EXPECT_EQ(test::hashes_below(set.workspace() / "fused"), originals) << link;
    fs::remove(set.workspace() / link);
  }
  // A link that leads elsewhere is the user's affair.
  fs::create_directories(set.root() / "large disk");
  fs::create_directories(set.prepared());
  fs::create_directory_symlink(set.root() / "large disk", set.prepared() / "images");
  EXPECT_EQ(prepare_alone(set).exit_code, 0);
  EXPECT_TRUE(fs::exists(set.root() / "large disk/mid_000.tif"));
}

}  // namespace failed_outputs_test
}  // namespace trunnion

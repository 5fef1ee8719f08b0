// Runs of the built program that something ends or starves: a signal, little memory, a folder that
// may not be written, an input that vanishes.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <csignal>
#include <functional>
#include <thread>

#include "core/files.h"
#include "pipeline/journal.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace interruption_test {

using Clock = std::chrono::steady_clock;
using testing::HasSubstr;

// `trunnion prepare` as a process of its own; `prepare_child` runs in it before the program does.
class ProcessOf {
 public:
  explicit ProcessOf(
      const test::SmallSet& set, const std::function<void()>& prepare_child = [] {})
      : output_(set.root() / "output.txt") {
    const std::string program = test::program();
    const std::string workspace = set.workspace();
    child_ = fork();
    if (child_ != 0) return;
    if (std::freopen(output_.c_str(), "w", stderr) == nullptr || dup2(2, 1) < 0) _exit(99);
    prepare_child();
    const std::array<const char*, 5> words{program.c_str(), "prepare", workspace.c_str(),
                                           "--jobs=1", nullptr};
    execv(words[0], const_cast<char* const*>(words.data()));
    _exit(98);
  }
  void send(int signal) const { kill(child_, signal); }
  // Exit code, or -1 where a signal ended it.
  int wait() {
    int status = 0;
    waitpid(child_, &status, 0);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }
  [[nodiscard]] std::string output() const { return read_file(output_); }

 private:
  fs::path output_;
  pid_t child_ = 0;
};

void wait_for(const fs::path& file) {
  const auto until = Clock::now() + std::chrono::seconds(60);
  while (!fs::exists(file) && Clock::now() < until) {
    std::this_thread::sleep_for(std::chrono::milliseconds(2));
  }
  ASSERT_TRUE(fs::exists(file)) << file;
}

demo::DemoOptions many_stations() {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 24;
  return options;
}

bool holds_leftovers(const fs::path& folder) {
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (entry.path().filename().string().starts_with(kTemporaryPrefix)) return true;
  }
  return false;
}

class Signals : public testing::TestWithParam<int> {};

TEST_P(Signals, StopARunWithinTwoSecondsAndTheNextOneGoesOn) {
  const test::SmallSet set(true, many_stations());
  const auto inputs = test::hashes_below(set.workspace() / "fused");
  ProcessOf run(set);
  wait_for(set.prepared() / "images/mid_000.tif");
  const auto sent = Clock::now();
  run.send(GetParam());
  EXPECT_EQ(run.wait(), 130) << run.output();
  EXPECT_LT(std::chrono::duration<double>(Clock::now() - sent).count(), 2.0);
  EXPECT_THAT(run.output(), HasSubstr("Stopped on request"));
  EXPECT_FALSE(holds_leftovers(set.workspace()));
  EXPECT_EQ(test::hashes_below(set.workspace() / "fused"), inputs);

  const FileStamp first = stamp_of(set.prepared() / "images/mid_000.tif");
  ProcessOf again(set);
  EXPECT_EQ(again.wait(), 0) << again.output();
  EXPECT_EQ(stamp_of(set.prepared() / "images/mid_000.tif"), first) << "what was finished stays";
  EXPECT_TRUE(fs::exists(set.prepared() / "images/mid_023.tif"));
}

INSTANTIATE_TEST_SUITE_P(Interruption, Signals, testing::Values(SIGINT, SIGTERM));

TEST(Interruption, TooLittleMemoryIsNamedAndHarmsNothing) {
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
  GTEST_SKIP() << "SKIPPED: the sanitizers reserve more address space than any limit allows";
#endif
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 3;
  options.width_px = 2400;
  options.height_px = 1600;
  const test::SmallSet set(true, options);
  int refused = 0;
  // From too little for one image to nearly enough.
  for (const rlim_t megabytes : {400U, 500U, 600U, 700U}) {
    ProcessOf run(set, [megabytes] {
      const rlimit limit{megabytes << 20U, megabytes << 20U};
      setrlimit(RLIMIT_AS, &limit);
    });
    const int code = run.wait();
    EXPECT_TRUE(code == 0 || code == 1) << megabytes << " MB: " << code << " " << run.output();
    if (code == 1) {
      ++refused;
      EXPECT_THAT(run.output(), HasSubstr("memory")) << megabytes;
    }
    for (const auto& [file, hash] : test::hashes_below(set.workspace())) {
      EXPECT_FALSE(file.ends_with(".tif") && file.starts_with("prepared/") &&
                   fs::file_size(set.workspace() / file) < 1000)
          << file;
    }
  }
  EXPECT_GT(refused, 0) << "no limit was small enough to show anything";
  ProcessOf whole(set);
  EXPECT_EQ(whole.wait(), 0) << whole.output();
}

TEST(Interruption, AFolderThatMayNotBeWrittenIsNamed) {
  const test::SmallSet set;
  for (const auto& entry : fs::recursive_directory_iterator(set.root())) {
    fs::permissions(entry.path(), fs::perms::others_read | fs::perms::others_exec,
                    fs::perm_options::add);
  }
  fs::permissions(set.root(), fs::perms::others_read | fs::perms::others_exec,
                  fs::perm_options::add);
  const bool root = geteuid() == 0;
  if (!root) fs::permissions(set.workspace(), fs::perms::owner_write, fs::perm_options::remove);
  ProcessOf run(set, [root] {
    constexpr uid_t kNobody = 65534;
    if (root && setuid(kNobody) != 0) _exit(97);
  });
  EXPECT_EQ(run.wait(), 1) << run.output();
  EXPECT_THAT(run.output(), HasSubstr("ermission"));
  EXPECT_THAT(run.output(), HasSubstr(set.workspace().string()));
  if (!root) fs::permissions(set.workspace(), fs::perms::owner_write, fs::perm_options::add);
}

// A folder inside that was made by another user, say.
TEST(Interruption, AnOutputFolderThatMayNotBeWrittenIsNamed) {
  const test::SmallSet set;
  fs::create_directories(set.prepared() / "images");
  const auto all = fs::perms::others_all | fs::perms::group_all | fs::perms::owner_all;
  for (const auto& entry : fs::recursive_directory_iterator(set.root())) {
    fs::permissions(entry.path(), all);
  }
  fs::permissions(set.root(), all);
  const auto read_only = fs::perms::others_read | fs::perms::others_exec | fs::perms::owner_read |
                         fs::perms::owner_exec;
  fs::permissions(set.prepared() / "images", read_only);
  ProcessOf run(set, [] {
    constexpr uid_t kNobody = 65534;
    if (geteuid() == 0 && setuid(kNobody) != 0) _exit(97);
  });
  EXPECT_EQ(run.wait(), 1) << run.output();
  EXPECT_THAT(run.output(), HasSubstr((set.prepared() / "images").string()));
  EXPECT_THAT(run.output(), HasSubstr("ermission"));
  EXPECT_THAT(run.output(), testing::Not(HasSubstr("Unexpected")));
  fs::permissions(set.prepared() / "images", all);
}

TEST(Interruption, AnInputThatVanishesIsNamedAndTheOthersArePrepared) {
  const test::SmallSet set(true, many_stations());
  ProcessOf run(set);
  wait_for(set.prepared() / "images/mid_000.tif");
  fs::remove(set.workspace() / "fused/mid_023.tif");
  EXPECT_EQ(run.wait(), 1) << run.output();
  EXPECT_THAT(run.output(), HasSubstr("mid_023.tif"));
  EXPECT_TRUE(fs::exists(set.prepared() / "images/mid_022.tif"));
}

}  // namespace interruption_test
}  // namespace trunnion

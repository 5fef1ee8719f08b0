// The lease of a workspace: who gets it, who loses it, and that who lost it writes nothing.
// tests/lease_races.sh does the same with whole runs.
#include "pipeline/workspace_lock.h"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <functional>
#include <thread>
#include <vector>

#include "core/error.h"
#include "pipeline/journal.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace workspace_lock_test {

using ::testing::HasSubstr;

class WorkspaceLockTest : public ::testing::Test {
 protected:
  WorkspaceLockTest() {
    ::setenv("TRUNNION_LEASE_SECONDS", "1", 1);
    workspace_.root = folder_.path();
  }
  ~WorkspaceLockTest() override { ::unsetenv("TRUNNION_LEASE_SECONDS"); }

  [[nodiscard]] fs::path state() const { return workspace_.state(); }
  [[nodiscard]] std::string refusal() const {
    try {
      const WorkspaceLock lock(workspace_);
    } catch (const Error& error) {
      return error.what();
    }
    return "granted";
  }
  [[nodiscard]] std::vector<std::string> leases() const {
    std::vector<std::string> names;
    for (const auto& entry : fs::directory_iterator(state())) {
      const std::string name = entry.path().filename().string();
      if (name.find("lease") != std::string::npos) names.push_back(name);
    }
    return names;
  }
  // A lease of another machine, renewed `ago` seconds before.
  void other_machine(double ago) const {
    const fs::path file = state() / "lease.4";
    write_file(file, "77 0b0b-another-boot bench-2 1 another run of trunnion\n");
    timespec now{};
    ::clock_gettime(CLOCK_REALTIME, &now);
    const timespec then{now.tv_sec - static_cast<time_t>(ago), 0};
    const std::array<timespec, 2> times{then, then};
    ASSERT_EQ(::utimensat(AT_FDCWD, file.c_str(), times.data(), 0), 0);
  }
  // A process that holds the lock until it may go on, then does `work`; exit code 7 where that
  // throws.
  pid_t holder(const std::function<void(const WorkspaceLock&)>& work) {
    fs::remove(ready());
    const pid_t child = ::fork();
    if (child != 0) {
      // Not for ever, where it died: end_of() then says so.
      while (!fs::exists(ready()) && ::waitpid(child, nullptr, WNOHANG) == 0) ::usleep(5000);
      return child;
    }
    int code = 0;
    try {
      const WorkspaceLock lock(workspace_);
      std::ofstream(ready()) << "x";
      while (!fs::exists(go())) ::usleep(5000);
      work(lock);
    } catch (const Error&) {
      code = 7;
    }
    ::_exit(code);
  }
  static int end_of(pid_t child) {
    int status = 0;
    ::waitpid(child, &status, 0);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }
  [[nodiscard]] fs::path ready() const { return aside_.path() / "ready"; }
  [[nodiscard]] fs::path go() const { return aside_.path() / "go"; }

  test::TemporaryFolder folder_;
  test::TemporaryFolder aside_;
  Workspace workspace_;
};

TEST_F(WorkspaceLockTest, ASecondRunIsRefusedWithTheProcessOfTheFirst) {
  const WorkspaceLock lock(workspace_, "trunnion desk");
  EXPECT_THAT(refusal(), HasSubstr("trunnion desk (process " + std::to_string(::getpid()) + ")"));
  EXPECT_THAT(*workspace_holder(workspace_.root), HasSubstr("trunnion desk"));
}

TEST_F(WorkspaceLockTest, WhatWasGivenBackIsTakenAtOnceUnderALaterNumber) {
  for (int i = 1; i <= 3; ++i) {
    const WorkspaceLock lock(workspace_);
    EXPECT_THAT(leases(), ::testing::ElementsAre("lease." + std::to_string(i)));
  }
  EXPECT_FALSE(workspace_holder(workspace_.root));
}

TEST_F(WorkspaceLockTest, AStaleFileDoesNoHarm) {
  write_file(state() / "lease.2", "999999");
  write_file(state() / "lease.99999999999999999999999", "no number");
  EXPECT_EQ(refusal(), "granted");
}

TEST_F(WorkspaceLockTest, AKilledHolderIsFollowedAtOnce) {
  const pid_t child = holder([](const WorkspaceLock&) {});
  EXPECT_THAT(refusal(), HasSubstr("process " + std::to_string(child)));
  ::kill(child, SIGKILL);
  end_of(child);
  write_file(workspace_.prepared() / ".trunnion-part.1.half.tif", "half");
  const WorkspaceLock lock(workspace_);
  EXPECT_FALSE(fs::exists(workspace_.prepared() / ".trunnion-part.1.half.tif"));
}

TEST_F(WorkspaceLockTest, AHolderThatRenewsKeepsItForLongerThanTheLeaseLasts) {
  const pid_t child = holder([](const WorkspaceLock& lock) { lock.check(); });
  ::usleep(2'500'000);
  EXPECT_THAT(refusal(), HasSubstr("is in use by"));
  write_file(go(), "");
  EXPECT_EQ(end_of(child), 0);
}

TEST_F(WorkspaceLockTest, SlowAStoppedHolderIsFollowedAndWritesNothingAnyMore) {
  const fs::path image = workspace_.prepared() / "image.tif";
  Journal(workspace_.journal()).record("key", "stage", "print", "before");
  for (const bool begun : {false, true}) {
    fs::remove(go());
    const pid_t child = holder([&](const WorkspaceLock&) { write_file(image, "old"); });
    ::kill(child, SIGSTOP);
    ::usleep(1'200'000);
    {
      const WorkspaceLock lock(workspace_);
      if (begun) write_file(image, "new");
      // The journal is a copy with all that stood in the old one.
      EXPECT_EQ(Journal(workspace_.journal()).find("key", "stage", "print"), "before");
    }
    write_file(go(), "");
    ::kill(child, SIGCONT);
    EXPECT_EQ(end_of(child), 7);
    EXPECT_EQ(fs::exists(image), begun);
    if (begun) {
      EXPECT_EQ(read_file(image), "new");
    }
  }
}

// What was begun before can't appear afterwards, even where the holder was stopped between its look
// and the rename: the file of the temporary name, which bears its number, is gone.
TEST_F(WorkspaceLockTest, SlowAFileThatWasBegunCannotAppear) {
  const fs::path image = workspace_.prepared() / "image.tif";
  const pid_t child = holder([&](const WorkspaceLock&) {
    const PendingFile file(image);
    std::ofstream(file.temporary()) << "half";
    write_file(ready().string() + "2", file.temporary().string());
    ::raise(SIGSTOP);
    // As commit() after its look.
    if (::rename(file.temporary().c_str(), image.c_str()) != 0) throw output_error("gone");
  });
  write_file(go(), "");
  int status = 0;
  ::waitpid(child, &status, WUNTRACED);
  ASSERT_TRUE(WIFSTOPPED(status));
  EXPECT_TRUE(fs::exists(read_file(ready().string() + "2")));
  ::usleep(1'200'000);
  const WorkspaceLock lock(workspace_);
  ::kill(child, SIGCONT);
  EXPECT_EQ(end_of(child), 7);
  EXPECT_FALSE(fs::exists(image));
}

TEST_F(WorkspaceLockTest, AnotherMachinesLeaseHoldsUntilItIsNotRenewed) {
  other_machine(0);
  EXPECT_THAT(refusal(), HasSubstr("(process 77 on bench-2)"));
  EXPECT_TRUE(workspace_holder(workspace_.root));
  other_machine(30);
  EXPECT_FALSE(workspace_holder(workspace_.root));
  EXPECT_EQ(refusal(), "granted");
}

// A clock that was set makes a lease look old; it is watched before it is taken.
TEST_F(WorkspaceLockTest, ALeaseThatIsRenewedWhileItIsWatchedHolds) {
  other_machine(30);
  std::atomic<bool> done{false};
  std::thread renewing([&] {
    while (!done) {
      ::usleep(100'000);  // within the time of watching, a quarter of a second
      ::utimensat(AT_FDCWD, (state() / "lease.4").c_str(), nullptr, 0);
    }
  });
  const std::string said = refusal();
  done = true;
  renewing.join();
  EXPECT_THAT(said, HasSubstr("is in use by"));
}

TEST_F(WorkspaceLockTest, ManyAtOnceOneAtATime) {
  std::atomic<int> holders{0};
  std::atomic<int> most{0};
  std::atomic<int> granted{0};
  std::vector<std::thread> threads;
  for (int i = 0; i < 8; ++i) {
    threads.emplace_back([&] {
      for (int k = 0; k < 60; ++k) {
        try {
          const WorkspaceLock lock(workspace_);
          const int now = ++holders;
          if (now > most) most = now;
          ++granted;
          ::usleep(500);
          lock.check();
          --holders;
        } catch (const Error& error) {
          ASSERT_EQ(error.kind(), Error::Kind::data) << error.what();
        }
      }
    });
  }
  for (std::thread& thread : threads) thread.join();
  EXPECT_EQ(most, 1);
  EXPECT_GT(granted, 0);
}

}  // namespace workspace_lock_test
}  // namespace trunnion

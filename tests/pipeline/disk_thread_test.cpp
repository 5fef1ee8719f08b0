#include "pipeline/disk_thread.h"

#include <gtest/gtest.h>

#include <atomic>
#include <chrono>
#include <future>
#include <stdexcept>
#include <thread>
#include <vector>

namespace trunnion {
namespace disk_thread_test {

TEST(DiskThread, DoesWhatWasPostedInOrderBesideTheCaller) {
  std::vector<int> done;
  std::thread::id where;
  DiskThread disk(2);
  for (int k = 0; k < 20; ++k) {
    disk.post([&, k] {
      done.push_back(k);
      where = std::this_thread::get_id();
    });
  }
  disk.finish();
  std::vector<int> expected(20);
  for (int k = 0; k < 20; ++k) expected[static_cast<std::size_t>(k)] = k;
  EXPECT_EQ(done, expected);
  EXPECT_NE(where, std::this_thread::get_id());
}

TEST(DiskThread, WaitsWhereTooMuchIsPosted) {
  std::promise<void> gate;
  std::atomic<int> posted = 0;
  DiskThread disk(1);
  disk.post([&] { gate.get_future().wait(); });
  std::thread other([&] {
    for (int k = 0; k < 4; ++k) {
      disk.post([] {});
      ++posted;
    }
  });
  std::this_thread::sleep_for(std::chrono::milliseconds(50));
  EXPECT_LE(posted, 1);  // one waits in the queue beside the one under way
  gate.set_value();
  other.join();
  disk.finish();
  EXPECT_EQ(posted, 4);
}

TEST(DiskThread, DoesNothingMoreAfterAnErrorAndPassesItOn) {
  bool more = false;
  DiskThread disk(4);
  disk.post([] { throw std::runtime_error("the disk is gone"); });
  try {
    for (int k = 0; k < 1000; ++k) {
      disk.post([&] { more = true; });
    }
    disk.finish();
    FAIL() << "no error";
  } catch (const std::runtime_error& error) {
    EXPECT_STREQ(error.what(), "the disk is gone");
  }
  EXPECT_FALSE(more);
}

TEST(DiskThread, DoesTheRestWhereItIsGivenUp) {
  int done = 0;
  {
    DiskThread disk(8);
    for (int k = 0; k < 5; ++k) disk.post([&done] { ++done; });
  }
  EXPECT_EQ(done, 5);
}

}  // namespace disk_thread_test
}  // namespace trunnion

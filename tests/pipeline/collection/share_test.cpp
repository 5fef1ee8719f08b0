// How threads and memory are divided among runs.
#include <gtest/gtest.h>

#include "pipeline/collection/memory.h"
#include "pipeline/collection/run.h"

namespace trunnion::collection {
namespace share_test {

constexpr double kMuch = 1e6;  // MB

TEST(ShareOfNext, ManySpecimensGetAThreadEach) {
  EXPECT_EQ(share_of_next({8, kMuch}, {0, 0}, 0, 100, 26).threads, 1);
  EXPECT_EQ(share_of_next({8, kMuch}, {7, 0}, 7, 93, 26).threads, 1);
  EXPECT_EQ(share_of_next({8, kMuch}, {8, 0}, 8, 92, 26).threads, 0);
}

TEST(ShareOfNext, FewSpecimensShareTheThreads) {
  EXPECT_EQ(share_of_next({8, kMuch}, {0, 0}, 0, 1, 26).threads, 8);
  EXPECT_EQ(share_of_next({8, kMuch}, {0, 0}, 0, 2, 26).threads, 4);
  EXPECT_EQ(share_of_next({8, kMuch}, {4, 0}, 1, 1, 26).threads, 4);
}

// Runs are started until one has to wait: never more threads or memory than there are, and at the
// end none could be added.
TEST(ShareOfNext, NeverMoreThanThereIs) {
  for (const int threads : {1, 2, 8, 64}) {
    for (const double megabytes : {500.0, 2000.0, 7000.0, 50'000.0}) {
      for (const double size : {1.0, 26.0, 100.0}) {
        Resources used{0, 0};
        std::size_t running = 0;
        for (;;) {
          const Share share =
              share_of_next({threads, megabytes}, used, running, 100 - running, size);
          if (share.threads == 0) break;
          used.threads += share.threads;
          used.megabytes += run_megabytes(size, share.threads);
          ++running;
        }
        EXPECT_GE(running, 1U);
        EXPECT_LE(used.threads, threads);
        if (running > 1) {
          EXPECT_LE(used.megabytes, megabytes);
        }
        EXPECT_TRUE(used.threads == threads || used.megabytes + run_megabytes(size, 1) > megabytes);
      }
    }
  }
}

// One that is larger than all memory runs alone.
TEST(ShareOfNext, OneAlwaysRuns) {
  EXPECT_EQ(share_of_next({8, 10}, {0, 0}, 0, 90, 400).threads, 1);
  EXPECT_EQ(share_of_next({8, 10}, {1, 1}, 1, 90, 400).threads, 0);
}

// Where memory lets only one run, it takes the threads that would stand idle.
TEST(ShareOfNext, IdleThreadsAreUsedWhereMemoryIsShort) {
  const double two = run_megabytes(26, 2);
  const int threads = share_of_next({2, 1.05 * two}, {0, 0}, 0, 90, 26).threads;
  EXPECT_EQ(threads, 2);
}

TEST(Memory, GrowsWithPixelsAndThreads) {
  EXPECT_GT(run_megabytes(26, 1), run_megabytes(2, 1));
  EXPECT_GT(run_megabytes(26, 4), run_megabytes(26, 1));
  EXPECT_GT(available_megabytes(), 0);
}

}  // namespace share_test
}  // namespace trunnion::collection

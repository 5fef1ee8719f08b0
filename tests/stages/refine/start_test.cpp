// What the start of the refinement is fitted to.
#include "stages/refine/start.h"

#include <gtest/gtest.h>

#include <random>

namespace trunnion::refine {
namespace start_test {

TEST(RefineStart, ThinningKeepsMatchesEvenlyAndSmallPairsWhole) {
  std::vector<PairMatches> pairs(3);
  pairs[0] = {0, 1, {}};
  for (int k = 0; k < 1000; ++k) pairs[0].matches.push_back({k, 2 * k});
  pairs[1] = {1, 2, {{4, 5}, {6, 7}}};
  pairs[2] = {2, 3, {}};
  const std::vector<PairMatches> few = thinned(pairs, 100);
  ASSERT_EQ(few.size(), 3U);
  ASSERT_EQ(few[0].matches.size(), 100U);
  for (std::size_t k = 0; k < 100; ++k) {
    EXPECT_EQ(few[0].matches[k].a, static_cast<int>(10 * k));
    EXPECT_EQ(few[0].matches[k].b, static_cast<int>(20 * k));
  }
  EXPECT_EQ(few[1].view_b, 2U);
  ASSERT_EQ(few[1].matches.size(), 2U);
  EXPECT_EQ(few[1].matches[1].a, 6);
  EXPECT_TRUE(few[2].matches.empty());
}

// The epipolar distance against its definition: to first order, the least move of both points that
// brings them onto each other's lines (Hartley and Zisserman, 2nd edition, section 11.4.3). For
// small errors the move found by projecting on the constraint again and again is the same.
TEST(RefineStart, SampsonDistanceIsTheLeastMoveOfBothPoints) {
  std::mt19937 random(7);
  std::normal_distribution<double> normal;
  Eigen::Matrix3d F;
  F << 1e-8, 2e-6, -1e-3, -3e-6, 2e-8, 9e-3, 2e-3, -8e-3, 0.3;
  for (int k = 0; k < 50; ++k) {
    const Eigen::Vector2d a(500 + 200 * normal(random), 400 + 200 * normal(random));
    // A point on a's line, then moved by up to some pixels.
    const Eigen::Vector3d line = F * a.homogeneous();
    Eigen::Vector2d b(600, -(line[0] * 600 + line[2]) / line[1]);
    b += Eigen::Vector2d(normal(random), normal(random));
    Eigen::Vector4d x(a.x(), a.y(), b.x(), b.y());
    const Eigen::Vector4d begin = x;
    for (int round = 0; round < 20; ++round) {
      const Eigen::Vector3d p(x[0], x[1], 1);
      const Eigen::Vector3d q(x[2], x[3], 1);
      Eigen::Vector4d slope;
      slope << (F.transpose() * q).head<2>(), (F * p).head<2>();
      const double value = q.dot(F * p);
      // Nearest point to `begin` on the constraint linearised at x.
      x = begin - slope * (value + slope.dot(begin - x)) / slope.squaredNorm();
    }
    EXPECT_NEAR(std::abs(sampson_distance(F, a, b)), (x - begin).norm(),
                1e-3 * (x - begin).norm() + 1e-9);
  }
}

// A copy stands where its original stands: no baseline, no epipolar line, nothing to be said.
TEST(RefineStart, ViewsFromOnePlaceSayNothing) {
  EXPECT_EQ(sampson_distance(Eigen::Matrix3d::Zero(), {10, 20}, {30, 40}), 0.0);
}

}  // namespace start_test
}  // namespace trunnion::refine

#include "datasets/solid.h"

#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <cmath>

#include "core/pose.h"
#include "datasets/random.h"

namespace trunnion::demo {
namespace solid_test {

using Eigen::Vector3d;

Vector3d somewhere(Draws& draws, double size) {
  return {draws.uniform(-size, size), draws.uniform(-size, size), draws.uniform(-size, size)};
}

// Distance to the convex hull of two spheres by its definition: the least |x - c| - r over the
// spheres in between (convex along the axis, so a ternary search finds it).
double distance_by_search(const Solid& s, const Vector3d& x) {
  const auto distance = [&](double f) {
    const double r = s.radius_a + f * (s.radius_b - s.radius_a);
    return (x - s.a - f * (s.b - s.a)).norm() - r;
  };
  double low = 0.0;
  double high = 1.0;
  for (int i = 0; i < 80; ++i) {
    const double third = (high - low) / 3.0;
    (distance(low + third) < distance(high - third) ? high : low) =
        distance(low + third) < distance(high - third) ? high - third : low + third;
  }
  return distance(0.5 * (low + high));
}

TEST(Solid, RoundConeIsHitOnItsSurfaceAndNowhereBefore) {
  Draws draws(3, 1);
  int hits = 0;
  for (int i = 0; i < 300; ++i) {
    const Solid cone = round_cone(Part::leg, somewhere(draws, 1.0), draws.uniform(0.05, 0.5),
                                  somewhere(draws, 1.0), draws.uniform(0.05, 0.5));
    const Vector3d origin = 200.0 * somewhere(draws, 1.0).normalized();
    const Ray ray{origin, (somewhere(draws, 0.8) - origin).normalized()};
    Hit hit;
    intersect(cone, 7, ray, 0.0, hit);
    if (!hit.any()) {
      for (double t = 197.0; t < 203.0; t += 0.02) {
        EXPECT_GT(distance_by_search(cone, origin + t * ray.direction), -1e-6);
      }
      continue;
    }
    ++hits;
    EXPECT_EQ(hit.solid, 7);
    const Vector3d point = origin + hit.t * ray.direction;
    EXPECT_NEAR(distance_by_search(cone, point), 0.0, 1e-7);
    EXPECT_GT(distance_by_search(cone, origin + (hit.t - 1e-3) * ray.direction), 0.0);
    // The normal is the direction in which the distance grows.
    const Vector3d normal = normal_at(cone, point, false);
    EXPECT_NEAR(normal.norm(), 1.0, 1e-12);
    EXPECT_NEAR(distance_by_search(cone, point + 1e-3 * normal), 1e-3, 1e-7);
    EXPECT_LT(normal.dot(ray.direction), 0.0);
  }
  EXPECT_GT(hits, 40);
}

TEST(Solid, EllipsoidIsHitOnItsSurface) {
  Draws draws(4, 1);
  for (int i = 0; i < 200; ++i) {
    const Eigen::Matrix3d turn = rotation_about(somewhere(draws, 1.0).normalized(), 1.3);
    const Vector3d radii(1.3, 0.4, 0.9);
    const Solid body = ellipsoid(Part::body, {0.2, -0.1, 0.3}, radii, turn);
    const Vector3d origin = 150.0 * somewhere(draws, 1.0).normalized();
    const Ray ray{origin, (body.a - origin).normalized()};
    Hit hit;
    intersect(body, 0, ray, 0.0, hit);
    ASSERT_TRUE(hit.any());
    const Vector3d local = turn.transpose() * (origin + hit.t * ray.direction - body.a);
    EXPECT_NEAR(local.cwiseQuotient(radii).norm(), 1.0, 1e-10);
    EXPECT_TRUE(((origin + hit.t * ray.direction - body.a).cwiseAbs().array() <=
                 body.half_box.array() + 1e-9)
                    .all());
  }
}

// Sphere of radius 1 with a ball of radius 0.5 carved out at (1, 0, 0): along the x axis the wall
// is met at x = 0.5, beside it the outside.
TEST(Solid, CavityIsOpenToTheOutside) {
  const Solid body = carved(ellipsoid(Part::body, Vector3d::Zero(), Vector3d::Ones()), {1, 0, 0},
                            Vector3d::Constant(0.5), Eigen::Matrix3d::Identity());
  Hit inside;
  intersect(body, 0, {{5, 0, 0}, {-1, 0, 0}}, 0.0, inside);
  EXPECT_NEAR(inside.t, 4.5, 1e-12);
  EXPECT_TRUE(inside.cavity);
  EXPECT_NEAR(normal_at(body, {0.5, 0, 0}, true).x(), 1.0, 1e-12);
  Hit beside;
  intersect(body, 0, {{5, 0.8, 0}, {-1, 0, 0}}, 0.0, beside);
  EXPECT_NEAR(beside.t, 5.0 - 0.6, 1e-12);
  EXPECT_FALSE(beside.cavity);
}

TEST(SolidTree, AgreesWithTryingEverySolid) {
  Draws draws(5, 1);
  std::vector<Solid> solids;
  for (int i = 0; i < 80; ++i) {
    solids.push_back(round_cone(Part::leg, somewhere(draws, 3.0), 0.2, somewhere(draws, 3.0), 0.1));
  }
  const SolidTree tree(solids);
  int hits = 0;
  for (int i = 0; i < 500; ++i) {
    const Vector3d origin = 20.0 * somewhere(draws, 1.0).normalized();
    const Ray ray{origin, (somewhere(draws, 3.0) - origin).normalized()};
    Hit plain;
    for (std::size_t k = 0; k < solids.size(); ++k) {
      intersect(solids[k], static_cast<int>(k), ray, 0.0, plain);
    }
    const Hit found = tree.first_hit(ray, 0.0);
    EXPECT_EQ(found.solid, plain.solid);
    EXPECT_EQ(found.any() ? found.t : 0.0, plain.any() ? plain.t : 0.0);
    EXPECT_EQ(tree.blocked(ray, 0.0, 1e9), plain.any());
    hits += plain.any() ? 1 : 0;
  }
  EXPECT_GT(hits, 50);
}

TEST(Random, NoiseGradientIsItsSlope) {
  Draws draws(6, 1);
  for (int i = 0; i < 200; ++i) {
    const Vector3d p = somewhere(draws, 5.0);
    const NoiseValue noise = fractal_noise(p, 9, 3, 0.6);
    for (int axis = 0; axis < 3; ++axis) {
      const Vector3d step = 1e-6 * Vector3d::Unit(axis);
      const double slope =
          (fractal_noise(p + step, 9, 3, 0.6).value - fractal_noise(p - step, 9, 3, 0.6).value) /
          2e-6;
      EXPECT_NEAR(noise.gradient[axis], slope, 1e-5);
    }
  }
}

}  // namespace solid_test
}  // namespace trunnion::demo

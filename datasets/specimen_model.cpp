#include "datasets/specimen_model.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "core/angle.h"
#include "core/pose.h"
#include "datasets/random.h"

namespace trunnion::demo {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector3d;

// Back of the beetle towards +X, its left towards +Y, head up.
const Vector3d kAbdomen(-0.1, 0.0, -0.95);
const Vector3d kAbdomenRadii(1.32, 1.72, 2.55);

Vector3d on_ellipsoid(const Vector3d& centre, const Vector3d& radii, double azimuth,
                      double latitude) {
  return centre + Vector3d(radii.x() * std::cos(latitude) * std::cos(azimuth),
                           radii.y() * std::cos(latitude) * std::sin(azimuth),
                           radii.z() * std::sin(latitude));
}

}  // namespace

SpecimenModel::SpecimenModel(const SpecimenOptions& options) : options_(options) {
  // Texture down to about two and a half pixels, whatever the size of the image.
  octaves_ = std::clamp(
      static_cast<int>(std::lround(std::log2(0.4 / options.object_pixel_mm / 1.1))), 2, 8);
  switch (options_.body) {
    case Body::beetle:
      build_body();
      build_limbs();
      build_antennae();
      build_bristles();
      break;
    case Body::shell:
      build_shell();
      build_pin();
      break;
    case Body::pebble:
      solids_.push_back(ellipsoid(Part::body, {0.15, -0.1, 0.2}, {2.1, 2.6, 3.3},
                                  rotation_about(Vector3d::UnitX(), radians(12.0))));
      build_pin();
      break;
  }
  tree_ = SolidTree(solids_);
  bake_openness();
}

SpecimenModel::SpecimenModel(const SpecimenOptions& options, std::vector<Solid> solids)
    : options_(options), solids_(std::move(solids)), tree_(solids_) {
  bake_openness();
}

void SpecimenModel::build_body() {
  const Matrix3d bore =
      rotation_about(Vector3d::UnitZ(), radians(38.0)) * Matrix3d(Matrix3d::Identity());
  const Vector3d mouth = on_ellipsoid(kAbdomen, kAbdomenRadii, radians(42.0), radians(-8.0));
  solids_.push_back(
      carved(ellipsoid(Part::body, kAbdomen, kAbdomenRadii), mouth, {0.95, 0.48, 0.62}, bore));
  const Matrix3d stoop = rotation_about(Vector3d::UnitY(), radians(-10.0));
  solids_.push_back(ellipsoid(Part::pronotum, {-0.05, 0.0, 1.78}, {1.02, 1.42, 0.92}, stoop));
  const Matrix3d nod = rotation_about(Vector3d::UnitY(), radians(-25.0));
  solids_.push_back(ellipsoid(Part::head, {-0.28, 0.0, 2.86}, {0.66, 0.82, 0.72}, nod));
  for (const double side : {-1.0, 1.0}) {
    solids_.push_back(ellipsoid(Part::eye, {-0.12, side * 0.66, 3.05}, {0.27, 0.25, 0.31}));
    // Jaws
    solids_.push_back(
        round_cone(Part::leg, {-0.45, side * 0.32, 3.36}, 0.15, {-0.55, side * 0.30, 3.78}, 0.08));
    solids_.push_back(
        round_cone(Part::leg, {-0.55, side * 0.30, 3.78}, 0.08, {-0.62, side * 0.06, 4.0}, 0.03));
  }
  build_pin();
}

// Whorls along a spiral that climbs and narrows, the last one widest.
void SpecimenModel::build_shell() {
  constexpr int kPieces = 60;  // of three turns
  for (int i = 0; i < kPieces; ++i) {
    const auto at = [](int k) {
      const double s = static_cast<double>(k) / kPieces;
      const double turn = 2.0 * kPi * 3.0 * s;
      const double size = std::exp(-1.9 * s);
      return std::pair(Vector3d(1.25 * size * std::cos(turn), 1.25 * size * std::sin(turn),
                                -1.6 + 5.6 * (1.0 - size) / (1.0 - std::exp(-1.9))),
                       1.35 * size);
    };
    const auto [from, thick] = at(i);
    const auto [to, thin] = at(i + 1);
    solids_.push_back(round_cone(Part::body, from, thick, to, thin));
  }
}

void SpecimenModel::build_pin() {
  // On the axis, in pieces so that each has a small box; it goes on below the frame.
  constexpr double kPinRadius = 0.17;
  for (double z = -3.2; z > -24.0; z -= 1.0) {
    solids_.push_back(
        round_cone(Part::pin, {0.0, 0.0, z}, kPinRadius, {0.0, 0.0, z - 1.0}, kPinRadius));
  }
}

void SpecimenModel::build_limbs() {
  struct LegPlan {
    double z;      // where it leaves the body
    double lift;   // rise of the first long joint
    double swing;  // towards the back (+X)
  };
  Draws draws(options_.seed, 11);
  for (const LegPlan plan : {LegPlan{1.7, 0.85, -0.25}, {0.75, 0.1, -0.1}, {-0.3, -0.75, 0.1}}) {
    for (const double side : {-1.0, 1.0}) {
      const auto jitter = [&draws] { return draws.uniform(-0.12, 0.12); };
      const Vector3d hip(-0.85, side * 0.85, plan.z);
      const Vector3d knee =
          hip + Vector3d(-0.25 + plan.swing + jitter(), side * 1.25, plan.lift + jitter());
      const Vector3d ankle =
          knee + Vector3d(0.1 + jitter(), side * 0.42 + jitter(), plan.lift * 0.6 - 0.95);
      const Vector3d toe = ankle + Vector3d(-0.15 + jitter(), side * 0.45, -0.42 + jitter());
      solids_.push_back(round_cone(Part::leg, hip, 0.23, knee, 0.15));
      solids_.push_back(round_cone(Part::leg, knee, 0.14, ankle, 0.085));
      Vector3d joint = ankle;
      for (int i = 0; i < 3; ++i) {  // foot in beads
        const Vector3d next = ankle + (toe - ankle) * ((i + 1) / 3.0);
        solids_.push_back(round_cone(Part::leg, joint, 0.055, next, 0.075));
        joint = next;
      }
      for (const double turn : {-1.0, 1.0}) {  // claws
        solids_.push_back(round_cone(Part::leg, toe, 0.045,
                                     toe + Vector3d(turn * 0.12, side * 0.08, -0.16), 0.012));
      }
    }
  }
}

void SpecimenModel::build_antennae() {
  // Right: a plain curve with a club. Left: its end is curled into a closed loop.
  constexpr int kPieces = 12;
  for (const double side : {-1.0, 1.0}) {
    const bool curled = side > 0.0;
    std::vector<Vector3d> line;
    for (int i = 0; i <= kPieces; ++i) {
      const double s = static_cast<double>(i) / kPieces;
      line.emplace_back(-0.55 - 0.5 * s, side * (0.5 + 1.15 * s), 3.2 + 1.0 * s - 0.55 * s * s);
    }
    if (curled) {
      const Vector3d end = line.back();
      const Vector3d out = Vector3d(-0.3, 0.8, 0.25).normalized();
      const Vector3d across = Vector3d(0.75, 0.1, 0.6).normalized();
      constexpr int kLoop = 20;
      constexpr double kRadius = 0.46;
      for (int i = 1; i <= kLoop; ++i) {
        const double angle = 2.0 * kPi * i / kLoop;
        line.push_back(end + kRadius * ((1.0 - std::cos(angle)) * out + std::sin(angle) * across));
      }
    }
    for (std::size_t i = 0; i + 1 < line.size(); ++i) {
      const double s = static_cast<double>(i) / static_cast<double>(line.size());
      const bool club = !curled && i + 4 > line.size();
      const double bead = club ? 0.13 : 0.085 - 0.02 * s;
      solids_.push_back(round_cone(Part::antenna, line[i], 0.8 * bead, line[i + 1], bead));
    }
  }
}

void SpecimenModel::build_bristles() {
  Draws draws(options_.seed, 12);
  // A bristle leaves a body outwards, bends once and tapers.
  const auto grow = [&](const Vector3d& root, const Vector3d& outward, double length) {
    const Vector3d sideways(draws.uniform(-1, 1), draws.uniform(-1, 1), draws.uniform(-1, 1));
    const Vector3d first = (outward + 0.45 * sideways).normalized();
    const Vector3d second = (first + 0.35 * sideways + Vector3d(0, 0, -0.12)).normalized();
    const double radius = std::min(0.5 * draws.uniform(0.95, 1.7) * options_.object_pixel_mm, 0.03);
    const Vector3d middle = root + 0.55 * length * first;
    const Vector3d tip = middle + 0.45 * length * second;
    solids_.push_back(round_cone(Part::bristle, root, radius, middle, 0.95 * radius));
    solids_.push_back(round_cone(Part::bristle, middle, 0.95 * radius, tip, 0.75 * radius));
  };
  const Solid body = solids_[0];
  const Solid shield = solids_[1];
  for (int i = 0; i < options_.bristles; ++i) {
    const double length = draws.uniform(0.5, 1.15);
    if (i % 5 == 4) {  // on the shield's rim
      const double azimuth = draws.uniform(-kPi, kPi);
      const Vector3d root = on_ellipsoid(shield.a, {1.0, 1.4, 0.9}, azimuth,
                                         draws.uniform(radians(-20.0), radians(35.0)));
      grow(root, (root - shield.a).normalized(), length);
      continue;
    }
    // Denser towards the tail and the sides
    const double azimuth = draws.uniform(-kPi, kPi);
    const double latitude = radians(draws.uniform(-85.0, 40.0));
    const Vector3d root = on_ellipsoid(kAbdomen, kAbdomenRadii, azimuth, latitude);
    if ((body.cavity_from_world * (root - body.b)).norm() < 1.1) continue;
    if (root.head<2>().norm() < 0.35 && root.z() < 0.0) continue;  // keeps clear of the pin
    grow(root, normal_at(body, root, false), length);
  }
}

}  // namespace trunnion::demo

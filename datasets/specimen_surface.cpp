// Colour, relief and openness of the demo specimen: the part of SpecimenModel that is looked up
// for every sample.
#include <oneapi/tbb/parallel_for.h>

#include <Eigen/Geometry>
#include <Eigen/LU>

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>

#include "core/angle.h"
#include "datasets/random.h"
#include "datasets/smooth_step.h"
#include "datasets/specimen_model.h"

namespace trunnion::demo {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector3d;

constexpr int kRows = 28;  // of an openness table, pole to pole
constexpr int kColumns = 56;
constexpr int kSkyRays = 64;
constexpr double kReach_mm = 4.0;  // what lies farther away darkens nothing

Vector3d bgr(double r, double g, double b) {
  return {b, g, r};
}

Vector3d blend(const Vector3d& a, const Vector3d& b, double w) {
  return a + (b - a) * w;
}

Vector3d tilted(const Vector3d& normal, const Vector3d& gradient, double depth) {
  const Vector3d along = gradient - gradient.dot(normal) * normal;
  return (normal - depth * along).normalized();
}

struct Pattern {
  std::uint64_t seed;
  int octaves;
};

Surface wing_case(const Vector3d& p, const Vector3d& normal, const Pattern& pattern) {
  const NoiseValue fine = fractal_noise(p * 2.6, pattern.seed + 100, pattern.octaves, 0.78);
  const double patch = noise_at(p * 0.95, pattern.seed + 200).value + 0.55 * fine.value;
  const double spots = noise_at(p * 4.3, pattern.seed + 300).value + 0.35 * fine.value;
  Surface surface;
  const Vector3d dark = bgr(0.20, 0.125, 0.075);
  const Vector3d tan = bgr(0.74, 0.55, 0.32);
  surface.albedo = blend(dark, tan, smooth_step(-0.30, 0.28, patch));
  surface.albedo = blend(surface.albedo, bgr(0.10, 0.06, 0.05), smooth_step(0.34, 0.52, spots));
  surface.albedo = blend(surface.albedo, bgr(0.90, 0.78, 0.55), smooth_step(0.45, 0.65, -spots));
  surface.albedo *= std::clamp(1.0 + 1.15 * fine.value, 0.35, 1.7);
  // Grooves run from tail to shoulder; the seam of the wing cases runs down the back.
  const double turn = std::atan2(p.y() / 1.72, (p.x() + 0.1) / 1.32);
  if (std::abs(turn) < 2.1) {
    const double groove = std::cos(turn * 26.0);
    surface.albedo *= 1.0 - 0.28 * smooth_step(0.55, 1.0, groove);
    surface.albedo *= 1.0 - 0.65 * (1.0 - smooth_step(0.015, 0.05, std::abs(turn)));
    // Row of pits along each groove
    const double pits = std::cos(p.z() * 16.0 + 2.0 * std::floor(turn * 26.0 / (2.0 * kPi) + 0.5));
    surface.albedo *= 1.0 - 0.4 * smooth_step(0.7, 1.0, groove) * smooth_step(0.2, 0.9, pits);
  } else {  // underside: plates across the body
    const double plate = std::abs(std::remainder(p.z() + 0.06 * fine.value, 0.62));
    surface.albedo = blend(bgr(0.34, 0.2, 0.12), surface.albedo, 0.35);
    surface.albedo *= 0.55 + 0.45 * smooth_step(0.02, 0.09, plate);
  }
  surface.normal = tilted(normal, fine.gradient * 2.6, 0.10);
  surface.gloss = 0.03;
  surface.roughness = 0.5;
  return surface;
}

Surface shield(const Vector3d& p, const Vector3d& normal, const Pattern& pattern) {
  const NoiseValue fine = fractal_noise(p * 3.1, pattern.seed + 400, pattern.octaves, 0.7);
  const double hue = noise_at(p * 0.9, pattern.seed + 500).value;
  Surface surface;
  surface.albedo = blend(bgr(0.07, 0.22, 0.16), bgr(0.05, 0.14, 0.27), 0.5 + 0.5 * hue);
  surface.albedo *= std::clamp(1.0 + 1.3 * fine.value, 0.3, 1.9);
  const double freckle = noise_at(p * 5.5, pattern.seed + 550).value;
  surface.albedo = blend(surface.albedo, bgr(0.42, 0.36, 0.14), smooth_step(0.42, 0.6, freckle));
  surface.normal = tilted(normal, fine.gradient * 3.1, 0.006);
  surface.gloss = 1.0;
  surface.roughness = 0.10;
  return surface;
}

Surface plain(const Vector3d& p, const Vector3d& normal, const Pattern& pattern,
              const Vector3d& colour, double gloss) {
  const NoiseValue fine = fractal_noise(p * 4.2, pattern.seed + 600, pattern.octaves, 0.75);
  Surface surface;
  surface.albedo = colour * std::clamp(1.0 + 1.2 * fine.value, 0.3, 1.8);
  surface.normal = tilted(normal, fine.gradient * 4.2, 0.035);
  surface.gloss = gloss;
  surface.roughness = 0.25;
  return surface;
}

// Hardly a difference in colour; shallow relief that shows by its glints.
Surface shell(const Vector3d& p, const Vector3d& normal, const Pattern& pattern) {
  const NoiseValue fine = fractal_noise(p * 2.2, pattern.seed + 700, pattern.octaves, 0.6);
  Surface surface;
  surface.albedo = bgr(0.78, 0.72, 0.62) * (1.0 + 0.03 * fine.value);
  surface.normal = tilted(normal, fine.gradient * 2.2, 0.02);
  surface.gloss = 0.6;
  surface.roughness = 0.12;
  return surface;
}

}  // namespace

Surface SpecimenModel::surface_at(const Hit& hit, const Vector3d& point) const {
  const Solid& solid = solids_[static_cast<std::size_t>(hit.solid)];
  const Vector3d normal = normal_at(solid, point, hit.cavity);
  const Pattern pattern{options_.seed * 1000, octaves_};
  if (hit.cavity) return plain(point, normal, pattern, bgr(0.42, 0.29, 0.19), 0.02);
  switch (solid.part) {
    case Part::body:
      return options_.body == Body::shell ? shell(point, normal, pattern)
                                          : wing_case(point, normal, pattern);
    case Part::pronotum:
      return shield(point, normal, pattern);
    case Part::head:
      return plain(point, normal, pattern, bgr(0.34, 0.21, 0.13), 0.15);
    case Part::eye: {
      Surface eye = plain(point, normal, pattern, bgr(0.045, 0.035, 0.04), 1.0);
      eye.normal = normal;
      eye.roughness = 0.07;
      return eye;
    }
    case Part::leg:
      return plain(point, normal, pattern, bgr(0.42, 0.225, 0.125), 0.2);
    case Part::antenna: {
      // Light rings at the joints
      const double ring =
          smooth_step(0.0, 0.35, std::abs((point - solid.a).norm()) / (solid.b - solid.a).norm());
      return plain(point, normal, pattern,
                   blend(bgr(0.66, 0.48, 0.27), bgr(0.40, 0.23, 0.12), ring), 0.1);
    }
    case Part::bristle: {
      Surface bristle;
      bristle.albedo = bgr(0.50, 0.36, 0.20);
      bristle.normal = normal;
      return bristle;
    }
    case Part::pin: {
      Surface pin = plain(point, normal, pattern, bgr(0.34, 0.34, 0.35), 0.9);
      pin.normal = normal;
      pin.roughness = 0.22;
      return pin;
    }
  }
  return {};
}

double SpecimenModel::openness_by_rays(const SolidTree& tree, const Vector3d& point,
                                       const Vector3d& normal) const {
  const Vector3d helper = std::abs(normal.z()) < 0.9 ? Vector3d::UnitZ() : Vector3d::UnitX();
  const Vector3d u = normal.cross(helper).normalized();
  const Vector3d v = normal.cross(u);
  int open = 0;
  for (std::uint32_t i = 0; i < kSkyRays; ++i) {
    const Eigen::Vector2d s = sobol(i);
    const double r = std::sqrt(s.x());  // cosine-weighted: uniform on the disc below
    const double angle = 2.0 * kPi * s.y();
    const Vector3d direction = r * std::cos(angle) * u + r * std::sin(angle) * v +
                               std::sqrt(std::max(0.0, 1.0 - s.x())) * normal;
    if (!tree.blocked({point + 1e-4 * normal, direction.normalized()}, 1e-4, kReach_mm)) {
      ++open;
    }
  }
  return static_cast<double>(open) / kSkyRays;
}

void SpecimenModel::bake_openness() {
  tables_.assign(solids_.size() * 2, {});
  limb_openness_.assign(solids_.size(), {1.0F, 1.0F});
  const auto tree_of = [this](const auto& wanted) {
    std::vector<Solid> some;
    std::copy_if(solids_.begin(), solids_.end(), std::back_inserter(some), wanted);
    return SolidTree(some);
  };
  const SolidTree shade_tree = tree_of([](const Solid& s) { return s.part != Part::bristle; });
  // Limbs are darkened by the bodies only: where two meet, one end lies inside the other.
  const SolidTree bodies =
      tree_of([](const Solid& s) { return s.shape != Solid::Shape::round_cone; });
  const auto bake = [this, &shade_tree](std::size_t index, bool cavity) {
    const Solid& solid = solids_[index];
    const Matrix3d to_world = (cavity ? solid.cavity_from_world : solid.unit_from_world).inverse();
    std::vector<float>& values = tables_[index * 2 + (cavity ? 1 : 0)].values;
    values.resize(static_cast<std::size_t>(kRows) * kColumns);
    for (int row = 0; row < kRows; ++row) {
      const double latitude = kPi * ((row + 0.5) / kRows - 0.5);
      for (int column = 0; column < kColumns; ++column) {
        const double longitude = 2.0 * kPi * column / kColumns;
        const Vector3d on_unit(std::cos(latitude) * std::cos(longitude),
                               std::cos(latitude) * std::sin(longitude), std::sin(latitude));
        const Vector3d point = (cavity ? solid.b : solid.a) + to_world * on_unit;
        values[static_cast<std::size_t>(row * kColumns + column)] = static_cast<float>(
            openness_by_rays(shade_tree, point, normal_at(solid, point, cavity)));
      }
    }
  };
  tbb::parallel_for(std::size_t{0}, solids_.size(), [&](std::size_t i) {
    const Solid& solid = solids_[i];
    if (solid.part == Part::bristle) return;
    if (solid.shape != Solid::Shape::round_cone) {
      bake(i, false);
      if (solid.shape == Solid::Shape::carved_ellipsoid) bake(i, true);
      return;
    }
    // A limb is thin: the mean over its girth at both ends says enough.
    for (std::size_t end = 0; end < 2; ++end) {
      const Vector3d centre = end == 0 ? solid.a : solid.b;
      const double radius = end == 0 ? solid.radius_a : solid.radius_b;
      const Vector3d axis = (solid.b - solid.a).normalized();
      const Vector3d helper = std::abs(axis.z()) < 0.9 ? Vector3d::UnitZ() : Vector3d::UnitX();
      const Vector3d u = axis.cross(helper).normalized();
      double sum = 0.0;
      for (int k = 0; k < 4; ++k) {
        const Vector3d normal = std::cos(k * kPi / 2) * u + std::sin(k * kPi / 2) * axis.cross(u);
        sum += openness_by_rays(bodies, centre + radius * normal, normal);
      }
      limb_openness_[i][end] = static_cast<float>(sum / 4.0);
    }
  });
}

double SpecimenModel::openness_at(const Hit& hit, const Vector3d& point) const {
  const auto index = static_cast<std::size_t>(hit.solid);
  const Solid& solid = solids_[index];
  if (solid.part == Part::bristle) return 1.0;
  if (solid.shape == Solid::Shape::round_cone) {
    const Vector3d w = solid.b - solid.a;
    const double s = std::clamp(w.dot(point - solid.a) / w.squaredNorm(), 0.0, 1.0);
    const auto& [at_a, at_b] = limb_openness_[index];
    return at_a + (at_b - at_a) * s;
  }
  const Vector3d on_unit = hit.cavity ? solid.cavity_from_world * (point - solid.b)
                                      : solid.unit_from_world * (point - solid.a);
  const std::vector<float>& values = tables_[index * 2 + (hit.cavity ? 1 : 0)].values;
  const double latitude = std::asin(std::clamp(on_unit.z() / on_unit.norm(), -1.0, 1.0));
  const double longitude = std::atan2(on_unit.y(), on_unit.x());
  const double y = std::clamp((latitude / kPi + 0.5) * kRows - 0.5, 0.0, kRows - 1.001);
  double x = longitude / (2.0 * kPi) * kColumns;
  if (x < 0.0) x += kColumns;
  const int row = static_cast<int>(y);
  const int column = static_cast<int>(x);
  const double fy = y - row;
  const double fx = x - column;
  const auto at = [&values](int r, int c) {
    return static_cast<double>(values[static_cast<std::size_t>(r * kColumns + c % kColumns)]);
  };
  const double openness = (at(row, column) * (1 - fx) + at(row, column + 1) * fx) * (1 - fy) +
                          (at(row + 1, column) * (1 - fx) + at(row + 1, column + 1) * fx) * fy;
  return hit.cavity ? openness * openness
                    : openness;  // little light is thrown on from wall to wall
}

}  // namespace trunnion::demo

#include "datasets/random.h"

#include <array>
#include <cmath>

namespace trunnion::demo {
namespace {

constexpr double kNoiseScale = 1.6;  // brings the usual range near [-1, 1]

// One of many directions for a lattice point, each component in [-1, 1].
Eigen::Vector3d lattice(std::int64_t x, std::int64_t y, std::int64_t z, std::uint64_t seed) {
  std::uint64_t h = seed + static_cast<std::uint64_t>(x) * 0x8DA6B343D8163841ULL +
                    static_cast<std::uint64_t>(y) * 0xD8163841CB1AB31FULL +
                    static_cast<std::uint64_t>(z) * 0xCB1AB31F9E3779B9ULL;
  h = (h ^ (h >> 29U)) * 0xBF58476D1CE4E5B9ULL;
  h ^= h >> 32U;
  const auto part = [h](unsigned shift) {
    return static_cast<double>((h >> shift) & 0xFFFFU) * (2.0 / 65535.0) - 1.0;
  };
  return {part(0), part(16), part(32)};
}

}  // namespace

NoiseValue noise_at(const Eigen::Vector3d& p, std::uint64_t seed) {
  const Eigen::Vector3d floor = p.array().floor();
  const Eigen::Vector3d f = p - floor;
  const auto x = static_cast<std::int64_t>(floor.x());
  const auto y = static_cast<std::int64_t>(floor.y());
  const auto z = static_cast<std::int64_t>(floor.z());
  const Eigen::Array3d a = f.array();
  const Eigen::Array3d u = a * a * a * (a * (a * 6.0 - 15.0) + 10.0);
  const Eigen::Array3d du = 30.0 * a * a * (a * (a - 2.0) + 1.0);
  // What each corner's direction makes of the offset from it; joined along x, then y, then z.
  std::array<Eigen::Vector3d, 8> g;
  std::array<double, 8> v{};
  for (unsigned i = 0; i < 8; ++i) {
    const Eigen::Vector3d corner(i & 1U, (i >> 1U) & 1U, i >> 2U);
    g[i] = lattice(x + (i & 1U), y + ((i >> 1U) & 1U), z + (i >> 2U), seed);
    v[i] = g[i].dot(f - corner);
  }
  const auto lerp = [](const auto& s, const auto& t, double w) { return s + (t - s) * w; };
  const double x00 = lerp(v[0], v[1], u.x());
  const double x10 = lerp(v[2], v[3], u.x());
  const double x01 = lerp(v[4], v[5], u.x());
  const double x11 = lerp(v[6], v[7], u.x());
  const double y0 = lerp(x00, x10, u.y());
  const double y1 = lerp(x01, x11, u.y());
  const auto direction = [&](std::size_t i) -> Eigen::Vector3d {
    return g[i] + (g[i + 1] - g[i]) * u.x();
  };
  const Eigen::Vector3d g0 = direction(0) + (direction(2) - direction(0)) * u.y();
  const Eigen::Vector3d g1 = direction(4) + (direction(6) - direction(4)) * u.y();
  NoiseValue noise;
  noise.value = kNoiseScale * lerp(y0, y1, u.z());
  noise.gradient =
      kNoiseScale *
      (g0 + (g1 - g0) * u.z() +
       Eigen::Vector3d(du.x() * lerp(lerp(v[1] - v[0], v[3] - v[2], u.y()),
                                     lerp(v[5] - v[4], v[7] - v[6], u.y()), u.z()),
                       du.y() * lerp(x10 - x00, x11 - x01, u.z()), du.z() * (y1 - y0)));
  return noise;
}

NoiseValue fractal_noise(const Eigen::Vector3d& p, std::uint64_t seed, int octaves, double gain) {
  NoiseValue sum;
  double frequency = 1.0;
  double size = 1.0;
  double total = 0.0;
  for (int i = 0; i < octaves; ++i) {
    const NoiseValue octave = noise_at(p * frequency, seed + static_cast<std::uint64_t>(i));
    sum.value += size * octave.value;
    sum.gradient += size * frequency * octave.gradient;
    total += size;
    frequency *= 2.03;  // not 2: lattices of the octaves must not coincide
    size *= gain;
  }
  if (total > 0.0) {
    sum.value /= total;
    sum.gradient /= total;
  }
  return sum;
}

Eigen::Vector2d sobol(std::uint32_t index) {
  std::uint32_t first = 0;
  std::uint32_t second = 0;
  std::uint32_t direction = 1U << 31U;
  std::uint32_t bit = 1U << 31U;
  for (std::uint32_t n = index; n != 0; n >>= 1U) {
    if ((n & 1U) != 0) {
      first ^= bit;
      second ^= direction;
    }
    bit >>= 1U;
    direction ^= direction >> 1U;
  }
  // Half of the last place centres the points in their cells.
  return {first * 0x1.0p-32 + 0x1.0p-8, second * 0x1.0p-32 + 0x1.0p-8};
}

}  // namespace trunnion::demo

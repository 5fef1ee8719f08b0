// Counter-based randomness for the demo set: every value is a hash of what it belongs to (seed,
// stream, image, pixel), so the bytes do not depend on order or number of threads. No std::
// distribution is used, since their results differ from library to library.
#pragma once

#include <Eigen/Core>
#include <cstdint>

namespace trunnion::demo {

// Finaliser of splitmix64 (Steele, Lea, Flood, "Fast splittable pseudorandom number generators",
// OOPSLA 2014): every input bit reaches every output bit.
[[nodiscard]] constexpr std::uint64_t mix(std::uint64_t x) {
  x += 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30U)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27U)) * 0x94D049BB133111EBULL;
  return x ^ (x >> 31U);
}
[[nodiscard]] constexpr std::uint64_t hash_of(std::uint64_t seed, std::uint64_t a,
                                              std::uint64_t b = 0) {
  return mix(mix(mix(seed) ^ a) ^ b);
}
// Uniform in [0, 1).
[[nodiscard]] constexpr double unit(std::uint64_t hash) {
  return static_cast<double>(hash >> 11U) * 0x1.0p-53;
}
// Zero mean, unit variance, bell-shaped within 3.46 sigma: sum of four uniform 16-bit values
// (Irwin-Hall), which needs no library function whose last bit might vary.
[[nodiscard]] constexpr double bell(std::uint64_t hash) {
  const auto part = [hash](unsigned shift) {
    return static_cast<double>((hash >> shift) & 0xFFFFU);
  };
  constexpr double kScale = 1.7320508075688772 / 65536.0;  // 1 / sqrt(4 / 12), per 16-bit step
  return (part(0) + part(16) + part(32) + part(48) - 4.0 * 32767.5) * kScale;
}

// A numbered stream of draws for code that runs in one order anyway.
class Draws {
 public:
  Draws(std::uint64_t seed, std::uint64_t stream) : key_(hash_of(seed, stream)) {}
  double uniform(double low, double high) { return low + (high - low) * unit(next()); }
  double normal() { return bell(next()); }
  std::uint64_t next() { return hash_of(key_, counter_++); }

 private:
  std::uint64_t key_;
  std::uint64_t counter_ = 0;
};

// Smooth noise over space, mostly within [-1, 1], with its gradient: directions on the integer
// lattice joined by quintic interpolation (K. Perlin, "Improving noise", SIGGRAPH 2002).
struct NoiseValue {
  double value = 0;
  Eigen::Vector3d gradient = Eigen::Vector3d::Zero();
};
NoiseValue noise_at(const Eigen::Vector3d& p, std::uint64_t seed);

// Sum of octaves, each at 2.03 times the frequency and `gain` times the size of the one before.
NoiseValue fractal_noise(const Eigen::Vector3d& p, std::uint64_t seed, int octaves, double gain);

// Van der Corput and Sobol: the first 2^k points of the pair fill every elementary rectangle evenly
// (I. M. Sobol, 1967), so that coverage counted with them is true to about one sample.
Eigen::Vector2d sobol(std::uint32_t index);

}  // namespace trunnion::demo

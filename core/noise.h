// Noise of a sensor: the variance of a value grows linearly with its level, photon noise on top of
// read noise and quantisation (A. Foi, M. Trimeche, V. Katkovnik, K. Egiazarian, "Practical
// Poissonian-Gaussian noise modeling and fitting for single-image raw-data", IEEE Transactions on
// Image Processing 17(10), 2008). The unit of the values (sensor values, or 0..1) is said where a
// model is declared.
#pragma once

namespace trunnion {

template <typename T>
struct NoiseModelOf {
  T at_zero = 0;
  T per_level = 0;

  [[nodiscard]] T variance(T level) const { return at_zero + per_level * level; }
};

using NoiseModel = NoiseModelOf<double>;

}  // namespace trunnion

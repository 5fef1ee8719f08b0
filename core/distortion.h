// The distortion polynomial of camera.h for any scalar type, so that adjustments can differentiate
// it: what every projection of the program goes through.
#pragma once

#include <Eigen/Core>

namespace trunnion {

// Distorted position of the ideal one (x, y); `k`: k1 k2 p1 p2 k3, in the same unit's inverse
// powers. Formula and source: camera.h.
template <typename T>
Eigen::Matrix<T, 2, 1> distorted(const T* k, const T& x, const T& y) {
  const T& k1 = k[0];
  const T& k2 = k[1];
  const T& p1 = k[2];
  const T& p2 = k[3];
  const T& k3 = k[4];
  const T r2 = x * x + y * y;
  const T radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
  return {x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
          y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y};
}

}  // namespace trunnion

// Angles are radians in code, degrees in files and messages; these two functions convert.
#pragma once

#include <numbers>

namespace trunnion {

constexpr double kPi = std::numbers::pi;
[[nodiscard]] constexpr double radians(double degrees) {
  return degrees * (kPi / 180.0);
}
[[nodiscard]] constexpr double degrees(double radians) {
  return radians * (180.0 / kPi);
}

}  // namespace trunnion

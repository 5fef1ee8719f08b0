// Medians. For an even count the greater of the two middle values; for no values 0.
#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

namespace trunnion {

// Changes the order of the values.
template <typename T>
T median_in_place(std::vector<T>& values) {
  if (values.empty()) return T{};
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

template <typename T>
T median_of(std::vector<T> values) {
  return median_in_place(values);
}

}  // namespace trunnion

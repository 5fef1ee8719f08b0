// Medians: of an even number of values the greater of the two in the middle; 0 of none.
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

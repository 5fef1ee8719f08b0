// Lists of names for people.
#pragma once

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <string>
#include <vector>

namespace trunnion::collection {

// A few by name, the others by their number.
inline std::string some_of(const std::vector<std::string>& names) {
  constexpr std::ptrdiff_t kNamed = 5;
  const auto count = static_cast<std::ptrdiff_t>(names.size());
  if (count <= kNamed + 1) return fmt::format("{}", fmt::join(names, ", "));
  return fmt::format("{} and {} more", fmt::join(names.begin(), names.begin() + kNamed, ", "),
                     count - kNamed);
}

}  // namespace trunnion::collection

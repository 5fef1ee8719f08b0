// Extended XMP: where a JPEG's one segment of 64 kB does not hold all XMP, the rest stands in
// further APP1 segments, and the main packet names it by xmpNote:HasExtendedXMP (XMP specification
// part 3, 2020, 1.1.3.1).
#pragma once

#include <filesystem>
#include <optional>
#include <string>

namespace trunnion {

// The packet whose 32 letters of digest are `guid`, put together from its segments; nothing where a
// part of it is missing.
std::optional<std::string> extended_xmp(const std::filesystem::path& jpeg, const std::string& guid);

}  // namespace trunnion

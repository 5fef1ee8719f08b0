// Content hashes (XXH3, 128 bit, as 32 lower-case hex digits): they identify content, they do not
// defend against an attacker.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

namespace trunnion {

std::string hash_bytes(std::string_view bytes);

// Streams the file; throws a data error where it can't be read.
std::string hash_file(const std::filesystem::path& path);

}  // namespace trunnion

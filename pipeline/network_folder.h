// Whether a folder lies on a file system that several machines share.
#pragma once

#include <cstdint>
#include <filesystem>

namespace trunnion {

// By the magic number of statfs(2).
bool is_network_file_system(std::uint64_t magic);

// False where the folder can't be asked.
bool on_network(const std::filesystem::path& folder);

}  // namespace trunnion

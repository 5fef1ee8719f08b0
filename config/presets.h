// The generic setups that come with trunnion (config/presets/*.toml): planned with where no setup
// of one's own exists yet, and copied as a start of one's own.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "config/setup.h"

namespace trunnion {

// Where they are installed.
std::filesystem::path preset_folder();

// Names, sorted.
std::vector<std::string> preset_names();

// Throws a usage error that names the nearest known preset.
Setup read_preset(const std::string& name);

}  // namespace trunnion

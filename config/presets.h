// The generic setups that come with trunnion (config/presets/*.toml). The planner uses them where
// the user has no setup yet; they also serve as templates for setup files.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "config/setup.h"

namespace trunnion {

// Below the share folder (config/share.h).
std::filesystem::path preset_folder();

// Names, sorted.
std::vector<std::string> preset_names();

// Throws a usage error that names the nearest known preset.
Setup read_preset(const std::string& name);

}  // namespace trunnion

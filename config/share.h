// Where the files that come with trunnion lie: presets and templates.
#pragma once

#include <filesystem>

namespace trunnion {

std::filesystem::path share_folder();

}  // namespace trunnion

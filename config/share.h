// The folder of the files that come with trunnion: presets and templates.
#pragma once

#include <filesystem>

namespace trunnion {

std::filesystem::path share_folder();

}  // namespace trunnion

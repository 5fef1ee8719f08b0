// What was shot, read from the tables of specimen.toml; settings.cpp reads the others.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "config/specimen.h"
#include "config/toml_reader.h"

namespace trunnion {

// `path`: of specimen.toml. The setup is named relative to `setup_beside`: the same file, or the
// collection.toml that gives it.
Specimen specimen_from(TomlReader& file, const std::filesystem::path& path,
                       const std::filesystem::path& setup_beside);

// Inputs named in specimen.toml must lie inside the workspace: a file from a stranger must not
// make trunnion read elsewhere.
void check_inside(TomlReader& table, std::string_view key, const std::string& value);

}  // namespace trunnion

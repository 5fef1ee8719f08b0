// TOML files that trunnion writes for people to correct and keep.
#pragma once

#include <string>
#include <string_view>

#include "config/setup.h"

namespace trunnion {

// A TOML basic string, quoted and escaped.
std::string toml_text(std::string_view text);

// A setup file that config/setup.h reads back as the same setup. Optional keys only where they say
// something else than their default.
std::string setup_toml(const Setup& setup);

}  // namespace trunnion

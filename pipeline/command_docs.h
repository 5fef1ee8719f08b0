// Man page and shell completion written from the declarations that --help prints, so that they
// cannot differ.
#pragma once

#include <CLI/CLI.hpp>
#include <string>

namespace trunnion {

// One page for the program and all its commands, in the macros of man(7).
std::string man_page(const CLI::App& program);

// A function for bash and its registration: commands, options, the values an option allows, files
// elsewhere.
std::string bash_completion(const CLI::App& program);

}  // namespace trunnion

// Completions for shells, written from the declarations that --help prints: commands, options, the
// values that an option allows, files elsewhere.
#pragma once

#include <CLI/CLI.hpp>
#include <string>

namespace trunnion {

std::string bash_completion(const CLI::App& program);  // a function and its registration
std::string zsh_completion(const CLI::App& program);   // the file _trunnion of zsh's fpath
std::string fish_completion(const CLI::App& program);

}  // namespace trunnion

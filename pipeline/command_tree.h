// What the command line declares, as man pages and completions need it (pipeline/man_pages.h,
// pipeline/completions.h): what --help shows and nothing else.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

namespace trunnion {

// Those of a hidden group are left out.
std::vector<const CLI::App*> commands_of(const CLI::App& app);
std::vector<const CLI::Option*> options_of(const CLI::App& app, bool positional);

// Words from the program on: "trunnion calibrate lens".
std::string full_name(const CLI::App& app);

// What stands behind an option's name: the choices without their braces, else the type; CLI11 adds
// ranges as " in [a - b]". Empty for a flag.
std::string value_of(const CLI::Option& option);

// The words that an option's value may be; empty where it may be anything.
std::vector<std::string> choices_of(const CLI::Option& option);

bool takes_value(const CLI::Option& option);

// "-h", "--help".
std::vector<std::string> names_of(const CLI::Option& option);

}  // namespace trunnion

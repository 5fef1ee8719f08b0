// Man pages, one a command, written from the declarations that --help prints, so that they cannot
// differ.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

namespace trunnion {

struct ManPage {
  std::string name;  // "trunnion-calibrate-lens"
  std::string text;  // in the macros of man(7)
};

// The program's own page first, then one for each command and each command below it.
std::vector<ManPage> man_pages(const CLI::App& program);

}  // namespace trunnion

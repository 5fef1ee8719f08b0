// What the program was built from and with, for --version and the report.
#pragma once

#include <string>
#include <utility>
#include <vector>

namespace trunnion {

// Name and version of trunnion and of the libraries that its results depend on.
std::vector<std::pair<std::string, std::string>> versions();

// Several lines: the version, the commit where it was given, compiler, libraries, files understood.
std::string version_text();

}  // namespace trunnion

// Comma-separated values (RFC 4180), written and read.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace trunnion {

// A text cell, quoted where it must be. An apostrophe goes before what a spreadsheet would take for
// a formula (OWASP, "CSV Injection": = + - @, a tab or a line break in front).
std::string csv_cell(std::string_view text);

// Cells of one CSV text, row by row, quotes resolved; lines end in LF or CR LF. An empty line is a
// row of one empty cell. `name` is the file's, for the data error that an open quote is.
std::vector<std::vector<std::string>> parse_csv(std::string_view text, const std::string& name);

}  // namespace trunnion

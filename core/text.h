// Numbers and table cells as text, in the same form in every file that trunnion writes.
#pragma once

#include <fmt/format.h>

#include <string>
#include <string_view>

namespace trunnion {

// The shortest text that reads back to the same double; never "-0".
[[nodiscard]] inline std::string number_text(double value) {
  return fmt::format("{}", value == 0.0 ? 0.0 : value);
}

// A text cell of comma-separated values (RFC 4180): quoted where it must be. An apostrophe goes
// before what a spreadsheet would take for a formula.
[[nodiscard]] inline std::string csv_cell(std::string_view text) {
  const bool formula =
      !text.empty() && std::string_view("=+-@\t\r").find(text[0]) != std::string_view::npos;
  if (!formula && text.find_first_of(",\"\r\n") == std::string_view::npos) return std::string(text);
  std::string quoted = formula ? "\"'" : "\"";
  for (const char c : text) quoted += c == '"' ? std::string("\"\"") : std::string(1, c);
  return quoted + "\"";
}

// RFC 4648, section 4.
std::string base64(std::string_view bytes);

}  // namespace trunnion

// Numbers and bytes as text, in the same form in every file that trunnion writes.
#pragma once

#include <fmt/format.h>

#include <string>
#include <string_view>

namespace trunnion {

// The shortest text that reads back to the same double; never "-0".
[[nodiscard]] inline std::string number_text(double value) {
  return fmt::format("{}", value == 0.0 ? 0.0 : value);
}

// Text within XML, SVG or HTML and in their attributes: & < > and " as entities (XML 1.0, 4.6),
// control characters, which XML does not allow, as blanks.
std::string markup_text(std::string_view text);

// RFC 4648, section 4.
std::string base64(std::string_view bytes);

// The bytes of a base64 text, up to its padding or the first character that is not of it.
std::string from_base64(std::string_view text);

}  // namespace trunnion

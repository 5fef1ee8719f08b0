#include "pipeline/text.h"

#include <fmt/format.h>
#include <wchar.h>  // NOLINT(modernize-deprecated-headers): wcwidth is POSIX's

#include <algorithm>
#include <array>
#include <cstdint>
#include <cstdlib>
#include <cstring>
#include <string_view>

namespace trunnion {
namespace {

constexpr char32_t kBroken = 0xFFFFFFFF;

// Next code point of UTF-8 text from `at`, which moves on; kBroken and one byte where it is not
// UTF-8 (RFC 3629: shortest form, no surrogates, up to U+10FFFF).
char32_t next(std::string_view text, std::size_t& at) {
  const auto byte = [&](std::size_t i) { return static_cast<std::uint8_t>(text[i]); };
  const std::uint8_t first = byte(at);
  const int more = first < 0x80    ? 0
                   : first >= 0xF0 ? 3
                   : first >= 0xE0 ? 2
                   : first >= 0xC2 ? 1
                                   : -1;
  if (more < 0 || first > 0xF4 || at + static_cast<std::size_t>(more) >= text.size()) {
    ++at;
    return kBroken;
  }
  char32_t code = more == 0 ? first : first & (0x3FU >> static_cast<unsigned>(more));
  for (int i = 1; i <= more; ++i) {
    const std::uint8_t b = byte(at + static_cast<std::size_t>(i));
    if ((b & 0xC0U) != 0x80U) {
      ++at;
      return kBroken;
    }
    code = code << 6U | (b & 0x3FU);
  }
  constexpr std::array<char32_t, 4> kLeast{0, 0x80, 0x800, 0x10000};
  if (code < kLeast[static_cast<std::size_t>(more)] || (code >= 0xD800 && code < 0xE000) ||
      code > 0x10FFFF) {
    ++at;
    return kBroken;
  }
  at += static_cast<std::size_t>(more) + 1;
  return code;
}

// Controls, and the marks that reorder text (Unicode Bidi_Control), which could disguise a name.
bool harmful(char32_t code) {
  return code < 0x20 || (code >= 0x7F && code < 0xA0) || code == 0x061C || code == 0x200E ||
         code == 0x200F || (code >= 0x202A && code <= 0x202E) ||
         (code >= 0x2066 && code <= 0x2069) || code == 0x2028 || code == 0x2029;
}

int width_of(char32_t code) {
  if (code < 0x80) return 1;
  const int width = ::wcwidth(static_cast<wchar_t>(code));
  return width < 0 ? 1 : width;
}

}  // namespace

void show(std::FILE* stream, std::string_view text) noexcept {
  std::fwrite(text.data(), 1, text.size(), stream);
}

bool locale_is_utf8() {
  for (const char* name : {"LC_ALL", "LC_CTYPE", "LANG"}) {
    const char* value = std::getenv(name);
    if (value == nullptr || *value == '\0') continue;
    return std::strstr(value, "UTF-8") != nullptr || std::strstr(value, "utf8") != nullptr ||
           std::strstr(value, "UTF8") != nullptr || std::strstr(value, "utf-8") != nullptr;
  }
  return false;
}

std::string printable(const std::string& text, bool unicode) {
  std::string out;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t begin = at;
    const char32_t code = next(text, at);
    if (code == kBroken || harmful(code)) {
      for (std::size_t i = begin; i < at; ++i) {
        out += fmt::format("\\x{:02x}", static_cast<std::uint8_t>(text[i]));
      }
    } else if (code >= 0x80 && !unicode) {
      out += '?';
    } else {
      out.append(text, begin, at - begin);
    }
  }
  return out;
}

int columns_of(const std::string& text) {
  int columns = 0;
  for (std::size_t at = 0; at < text.size();) columns += width_of(next(text, at));
  return columns;
}

std::string clip(const std::string& text, int columns) {
  if (columns_of(text) <= columns) return text;
  const int room = columns - 2;
  if (room < 1) return std::string(static_cast<std::size_t>(std::max(0, columns)), '.');
  std::string out;
  int used = 0;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t begin = at;
    used += width_of(next(text, at));
    if (used > room) break;
    out.append(text, begin, at - begin);
  }
  return out + "..";
}

std::vector<std::string> wrap(const std::string& text, int columns) {
  std::vector<std::string> lines;
  std::string line;
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find(' ', at), text.size());
    const std::string word = text.substr(at, end - at);
    at = end + 1;
    if (word.empty()) continue;
    if (!line.empty() && columns_of(line) + 1 + columns_of(word) > columns) {
      lines.push_back(line);
      line.clear();
    }
    line += (line.empty() ? "" : " ") + word;
  }
  if (!line.empty()) lines.push_back(line);
  return lines;
}

}  // namespace trunnion

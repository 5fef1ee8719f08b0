// Text on a terminal: its width in columns, wrapping, clipping, and no control characters from
// what the user's files are called.
#pragma once

#include <cstdio>
#include <string>
#include <string_view>
#include <vector>

namespace trunnion {

// Never throws, unlike the library's print: what can't be shown must not end a run. The stream
// remembers the failure (ferror).
void show(std::FILE* stream, std::string_view text) noexcept;

// True where the environment's locale (LC_ALL, LC_CTYPE, LANG) says UTF-8.
bool locale_is_utf8();

// Control characters as \xNN, so that a file name can't move the cursor or colour the screen;
// bytes that are not UTF-8 likewise; characters beyond ASCII as ? where the terminal has no UTF-8.
std::string printable(const std::string& text, bool unicode);

// Columns taken by printable text: combining marks 0, wide East Asian characters 2 (POSIX wcwidth).
int columns_of(const std::string& text);

// At most `columns` wide; what is cut is marked by "..".
std::string clip(const std::string& text, int columns);

// Lines at most `columns` wide, broken at spaces; a longer word stands alone on its line.
std::vector<std::string> wrap(const std::string& text, int columns);

}  // namespace trunnion

#include "core/csv.h"

#include <fmt/format.h>

#include "core/error.h"

namespace trunnion {

std::string csv_cell(std::string_view text) {
  std::string cell(text);
  if (!cell.empty() &&
      std::string_view("=+-@\t\r\n").find(cell.front()) != std::string_view::npos) {
    cell.insert(cell.begin(), '\'');
  }
  if (cell.find_first_of(",\"\r\n") == std::string::npos) return cell;
  std::string quoted = "\"";
  for (const char c : cell) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + '"';
}

std::vector<std::vector<std::string>> parse_csv(std::string_view text, const std::string& name) {
  std::vector<std::vector<std::string>> rows;
  std::vector<std::string> row;
  std::string cell;
  bool quoted = false;
  const auto end_row = [&] {
    row.push_back(std::move(cell));
    cell.clear();
    rows.push_back(std::move(row));
    row.clear();
  };
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (quoted) {
      if (c != '"') {
        cell += c;
      } else if (i + 1 < text.size() && text[i + 1] == '"') {
        cell += '"';
        ++i;
      } else {
        quoted = false;
      }
    } else if (c == '"' && cell.empty()) {
      quoted = true;
    } else if (c == ',') {
      row.push_back(std::move(cell));
      cell.clear();
    } else if (c == '\n') {
      end_row();
    } else if (c != '\r' || (i + 1 < text.size() && text[i + 1] != '\n')) {
      cell += c;
    }
  }
  if (quoted) {
    throw data_error(
        fmt::format("{}: a quotation mark is opened and never closed; close it.", name));
  }
  if (!cell.empty() || !row.empty()) end_row();
  return rows;
}

}  // namespace trunnion

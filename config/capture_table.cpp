#include "config/capture_table.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include "config/toml_reader.h"
#include "core/angle.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

constexpr std::uintmax_t kMaxTableBytes = 16U << 20U;
constexpr std::size_t kMaxColumns = 64;
constexpr std::size_t kMaxMistakes = 20;
const std::vector<std::string> kColumns{"file",   "ring",  "station",  "angle_deg",
                                        "frames", "frame", "tilt_deg", "reference_mm"};
using Columns = std::array<int, 8>;  // index of each known column, -1 where absent

bool valid_utf8(std::string_view text) {
  std::size_t i = 0;
  while (i < text.size()) {
    const auto byte = static_cast<unsigned char>(text[i]);
    const std::size_t length = byte < 0x80             ? 1
                               : (byte & 0xE0) == 0xC0 ? 2
                               : (byte & 0xF0) == 0xE0 ? 3
                               : (byte & 0xF8) == 0xF0 ? 4
                                                       : 0;
    if (length == 0 || i + length > text.size()) return false;
    for (std::size_t k = 1; k < length; ++k) {
      if ((static_cast<unsigned char>(text[i + k]) & 0xC0) != 0x80) return false;
    }
    i += length;
  }
  return true;
}

template <typename Number>
std::optional<Number> parse_number(const std::string& cell) {
  Number value{};
  const auto [end, code] = std::from_chars(cell.data(), cell.data() + cell.size(), value);
  if (code != std::errc() || end != cell.data() + cell.size()) return std::nullopt;
  return value;
}

class Mistakes {
 public:
  explicit Mistakes(std::string name) : name_(std::move(name)) {}
  void add(std::size_t line, const std::string& what) {
    ++count_;
    if (lines_.size() < kMaxMistakes) {
      lines_.push_back(fmt::format("{}, line {}: {}", name_, line, what));
    }
  }
  void raise() const {
    if (count_ == 0) return;
    std::string all = fmt::format("{}", fmt::join(lines_, "\n"));
    if (count_ > lines_.size()) all += fmt::format("\nand {} more.", count_ - lines_.size());
    throw data_error(all);
  }

 private:
  std::string name_;
  std::vector<std::string> lines_;
  std::size_t count_ = 0;
};

Columns find_columns(const std::vector<std::string>& header, Mistakes& mistakes) {
  Columns columns;
  columns.fill(-1);
  if (header.size() > kMaxColumns) {
    mistakes.add(1, fmt::format("has {} columns, but at most {} are read; keep {}.", header.size(),
                                kMaxColumns, fmt::join(kColumns, ", ")));
    return columns;
  }
  for (std::size_t i = 0; i < header.size(); ++i) {
    const auto found = std::find(kColumns.begin(), kColumns.end(), header[i]);
    if (found == kColumns.end()) {
      const std::string near = nearest_word(header[i], kColumns);
      mistakes.add(
          1, fmt::format("column \"{}\" is unknown; {}", header[i],
                         near.empty() ? fmt::format("known are {}.", fmt::join(kColumns, ", "))
                                      : fmt::format("did you mean \"{}\"?", near)));
      continue;
    }
    int& column = columns[static_cast<std::size_t>(found - kColumns.begin())];
    if (column >= 0) mistakes.add(1, fmt::format("column \"{}\" appears twice.", header[i]));
    column = static_cast<int>(i);
  }
  for (const std::size_t needed : {std::size_t{0}, std::size_t{2}}) {
    if (columns[needed] < 0) {
      mistakes.add(1, fmt::format("column \"{}\" is missing; add it.", kColumns[needed]));
    }
  }
  return columns;
}

bool leaves_workspace(const std::string& file) {
  const std::filesystem::path path(file);
  bool leaves = path.is_absolute() || file.find('\0') != std::string::npos;
  for (const auto& part : path.lexically_normal()) leaves = leaves || part == "..";
  return leaves;
}

void read_frames(CaptureRow& row, const std::string& frames, const std::string& frame,
                 std::size_t line, Mistakes& mistakes) {
  if (!frames.empty()) {
    const auto count = parse_number<int>(frames);
    if (!count || *count < 1 || *count > 65'535) {
      mistakes.add(line, fmt::format("frames \"{}\" is not a whole number from 1 to 65535; correct "
                                     "it or leave the cell empty.",
                                     frames));
    }
    row.frames = count.value_or(0);
  }
  if (leaves_workspace(frame)) {
    mistakes.add(line, fmt::format("frame \"{}\" is not a relative path inside the workspace; give "
                                   "one or leave the cell empty.",
                                   frame));
  }
  row.frame = frame;
}

// A number of at most `limit` either way; empty cells mean not given.
std::optional<double> read_number(const std::string& cell, const char* column, double limit,
                                  std::size_t line, Mistakes& mistakes) {
  if (cell.empty()) return std::nullopt;
  const auto value = parse_number<double>(cell);
  if (!value || !std::isfinite(*value) || std::abs(*value) > limit) {
    mistakes.add(line, fmt::format("{} \"{}\" is not a number from {:g} to {:g}; correct it or "
                                   "leave the cell empty.",
                                   column, cell, -limit, limit));
    return std::nullopt;
  }
  return value;
}

CaptureRow row_from(const std::vector<std::string>& cells, const Columns& columns, std::size_t line,
                    Mistakes& mistakes) {
  const auto cell = [&](std::size_t column) {
    return columns[column] < 0 ? std::string() : cells[static_cast<std::size_t>(columns[column])];
  };
  CaptureRow row;
  row.line = static_cast<int>(line);
  row.file = cell(0);
  row.ring = cell(1);
  if (row.file.empty() || leaves_workspace(row.file)) {
    mistakes.add(line, fmt::format("file \"{}\" is not a relative path inside the workspace; give "
                                   "one.",
                                   row.file));
  }
  const auto station = parse_number<int>(cell(2));
  if (!station || *station < 0) {
    mistakes.add(line,
                 fmt::format("station \"{}\" is not a whole number from 0; correct it.", cell(2)));
  }
  row.station = station.value_or(0);
  if (const std::string angle = cell(3); !angle.empty()) {
    const auto value = parse_number<double>(angle);
    if (!value || !std::isfinite(*value) || std::abs(*value) > 36000.0) {
      mistakes.add(line,
                   fmt::format("angle_deg \"{}\" is not a number of degrees; correct it.", angle));
    }
    row.angle = radians(value.value_or(0.0));
  }
  read_frames(row, cell(4), cell(5), line, mistakes);
  if (const auto tilt = read_number(cell(6), "tilt_deg", 85.0, line, mistakes)) {
    row.tilt = radians(*tilt);
  }
  row.reference_mm = read_number(cell(7), "reference_mm", 1000.0, line, mistakes);
  return row;
}

}  // namespace

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

std::vector<CaptureRow> parse_capture_table(std::string_view text, const std::string& name) {
  if (text.starts_with("\xEF\xBB\xBF")) text.remove_prefix(3);
  if (text.find('\0') != std::string_view::npos || !valid_utf8(text)) {
    throw data_error(fmt::format("{}: is not UTF-8 text; save the table as CSV in UTF-8.", name));
  }
  const auto rows = parse_csv(text, name);
  Mistakes mistakes(name);
  if (rows.empty()) throw data_error(fmt::format("{}: is empty; list the images in it.", name));
  const Columns columns = find_columns(rows.front(), mistakes);
  mistakes.raise();
  std::vector<CaptureRow> result;
  for (std::size_t i = 1; i < rows.size(); ++i) {
    if (rows[i].size() == 1 && rows[i][0].empty()) continue;  // blank line
    if (rows[i].size() != rows.front().size()) {
      mistakes.add(i + 1, fmt::format("has {} cells, but the first line has {}; correct it.",
                                      rows[i].size(), rows.front().size()));
      continue;
    }
    result.push_back(row_from(rows[i], columns, i + 1, mistakes));
  }
  mistakes.raise();
  if (result.empty()) throw data_error(fmt::format("{}: lists no image; add rows.", name));
  return result;
}

std::vector<CaptureRow> read_capture_table(const std::filesystem::path& file) {
  return parse_capture_table(read_file(file, kMaxTableBytes), file.string());
}

}  // namespace trunnion

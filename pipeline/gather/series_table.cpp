#include "pipeline/gather/series_table.h"

#include <fmt/format.h>

#include <array>
#include <charconv>
#include <cmath>
#include <map>

#include "core/csv.h"
#include "core/date.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

constexpr std::array kSeriesColumns{"ring",    "station", "angle_deg", "state",      "frames",
                                    "planned", "first",   "last",      "first_time", "last_time",
                                    "folder",  "frame",   "fused",     "certainty",  "doubts"};

double number_from(const std::string& cell, const std::string& name, std::size_t line) {
  double value = 0;
  const auto [end, code] = std::from_chars(cell.data(), cell.data() + cell.size(), value);
  if (code == std::errc() && end == cell.data() + cell.size() && std::isfinite(value)) return value;
  throw data_error(
      fmt::format("{}, line {}: \"{}\" is not a number; correct it, or run trunnion gather again.",
                  name, line, cell));
}

}  // namespace

std::string camera_time(double seconds) {
  const double whole = std::floor(seconds + 0.0005);
  std::string text = iso_date(static_cast<std::time_t>(whole));
  text.pop_back();  // Z
  const int thousandths = static_cast<int>(std::lround((seconds - whole) * 1000));
  if (thousandths > 0) text += fmt::format(".{:03}", thousandths);
  return text;
}

std::string series_csv(const std::vector<SeriesRow>& rows) {
  std::string csv;
  for (const char* column : kSeriesColumns) csv += (csv.empty() ? "" : ",") + std::string(column);
  csv += "\r\n";
  const auto time = [](const std::optional<double>& s) { return s ? camera_time(*s) : ""; };
  for (const SeriesRow& row : rows) {
    const bool placed = row.station >= 0;
    csv +=
        fmt::format("{},{},{},{},{},{},{},{},{},{},{},{},{},{:.4f},{}\r\n", csv_cell(row.ring),
                    placed ? std::to_string(row.station) : "",
                    placed ? fmt::format("{:.4f}", row.angle_deg) : "", row.state, row.frames,
                    row.planned > 0 ? std::to_string(row.planned) : "", csv_cell(row.first),
                    csv_cell(row.last), time(row.first_s), time(row.last_s), csv_cell(row.folder),
                    csv_cell(row.frame), csv_cell(row.fused), row.certainty, csv_cell(row.doubts));
  }
  return csv;
}

std::vector<SeriesRow> read_series(const std::filesystem::path& workspace,
                                   const std::string& own_name) {
  const fs::path file = workspace / own_name;
  if (!fs::exists(file)) return {};
  const std::string name = file.string();
  const auto cells = parse_csv(read_file(file), name);
  std::map<std::string, std::size_t> column;
  for (std::size_t i = 0; !cells.empty() && i < cells[0].size(); ++i) column[cells[0][i]] = i;
  for (const char* needed : kSeriesColumns) {
    if (column.contains(needed)) continue;
    throw data_error(fmt::format(
        "{}: column \"{}\" is missing; correct it, or run trunnion gather again.", name, needed));
  }
  std::vector<SeriesRow> rows;
  for (std::size_t line = 1; line < cells.size(); ++line) {
    if (cells[line].size() == 1 && cells[line][0].empty()) continue;
    if (cells[line].size() != cells[0].size()) {
      throw data_error(
          fmt::format("{}, line {}: {} cells, but the first line has {}; correct it, or run "
                      "trunnion gather again.",
                      name, line + 1, cells[line].size(), cells[0].size()));
    }
    const auto cell = [&](const char* key) {
      std::string text = cells[line][column.at(key)];
      return text.starts_with('\'') ? text.substr(1) : text;
    };
    const auto number = [&](const char* key, double absent) {
      return cell(key).empty() ? absent : number_from(cell(key), name, line + 1);
    };
    SeriesRow row;
    row.ring = cell("ring");
    row.station = static_cast<int>(number("station", -1));
    row.angle_deg = number("angle_deg", 0);
    row.state = cell("state");
    row.frames = static_cast<int>(number("frames", 0));
    row.planned = static_cast<int>(number("planned", 0));
    row.first = cell("first");
    row.last = cell("last");
    row.first_s = seconds_since_1970(cell("first_time"));
    row.last_s = seconds_since_1970(cell("last_time"));
    row.folder = cell("folder");
    row.frame = cell("frame");
    row.fused = cell("fused");
    row.certainty = number("certainty", 1);
    row.doubts = cell("doubts");
    rows.push_back(std::move(row));
  }
  return rows;
}

}  // namespace trunnion

#include "config/review.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <set>
#include <tuple>

#include "config/toml_reader.h"
#include "config/toml_writer.h"
#include "core/files.h"

namespace trunnion {
namespace {

constexpr int kReviewFormat = 1;  // raised where a reader of the version before would go wrong
constexpr std::size_t kLongestText = 2000;

const Ring* ring_named(const Specimen& specimen, const std::string& name) {
  const auto found = std::find_if(specimen.rings.begin(), specimen.rings.end(),
                                  [&](const Ring& ring) { return ring.name == name; });
  return found == specimen.rings.end() ? nullptr : &*found;
}

// Gregorian calendar; ISO 8601, extended form.
bool is_date(const std::string& text) {
  if (text.size() != 10 || text[4] != '-' || text[7] != '-') return false;
  const auto digits = [&](std::size_t at, std::size_t count) {
    int value = -1;
    const char* end = text.data() + at + count;
    const auto [stop, code] = std::from_chars(text.data() + at, end, value);
    return code == std::errc() && stop == end ? value : -1;
  };
  const int year = digits(0, 4);
  const int month = digits(5, 2);
  const int day = digits(8, 2);
  if (year < 0 || month < 1 || month > 12 || day < 1) return false;
  const bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
  const int last = month == 2                                              ? 28 + (leap ? 1 : 0)
                   : month == 4 || month == 6 || month == 9 || month == 11 ? 30
                                                                           : 31;
  return day <= last;
}

// Reasons and doubts go into tables and comments of one line.
std::string sentence_from(TomlReader& table, std::string_view key) {
  const std::string text = table.text(key);
  if (!table.has(key)) return text;
  if (text.find_first_not_of(' ') == std::string::npos) {
    table.mistake(key, "is empty; say it in a few words.");
  } else if (text.size() > kLongestText || holds_control_character(text)) {
    table.mistake(key, fmt::format("must be one line of at most {} bytes.", kLongestText));
  }
  return text;
}

std::string date_from(TomlReader& table) {
  const std::string date = table.text("date");
  if (table.has("date") && !is_date(date)) {
    table.mistake("date",
                  fmt::format("is \"{}\"; give year, month and day, \"2026-11-30\".", date));
  }
  return date;
}

// Ring and station, checked; the only ring need not be named.
std::pair<std::string, int> station_from(TomlReader& table, const Specimen& specimen) {
  const bool alone = specimen.rings.size() == 1;
  const std::string name =
      table.text("ring", alone ? std::optional(specimen.rings.front().name) : std::nullopt);
  const int station = table.integer("station", 0, 2'000'000);
  const Ring* ring = ring_named(specimen, name);
  if (ring == nullptr) {
    if (table.has("ring")) {
      table.mistake("ring", fmt::format("is \"{}\", which specimen.toml doesn't have; correct the "
                                        "name.",
                                        name));
    }
  } else if (table.has("station") &&
             (station < ring->first_station || station >= ring->first_station + ring->stations)) {
    table.mistake("station",
                  fmt::format("is {}, but ring \"{}\" has stations {} to {}.", station, name,
                              ring->first_station, ring->first_station + ring->stations - 1));
  }
  return {name, station};
}

Acceptance acceptance_from(TomlReader& table, const Specimen& specimen) {
  Acceptance accepted;
  if (table.has("station") || table.has("ring")) {
    std::tie(accepted.ring, accepted.station) = station_from(table, specimen);
    if (table.has("file")) {
      table.mistake("file", "and station exclude each other; remove one.");
    }
  }
  accepted.file = table.text("file", "");
  accepted.doubt = sentence_from(table, "doubt");
  accepted.reason = sentence_from(table, "reason");
  accepted.date = date_from(table);
  return accepted;
}

Review review_from(TomlReader& file, const Specimen& specimen) {
  file.check_format(kReviewFormat);
  Review review;
  for (TomlReader& table : file.tables("exclude")) {
    Exclusion out;
    std::tie(out.ring, out.station) = station_from(table, specimen);
    out.reason = sentence_from(table, "reason");
    out.date = date_from(table);
    if (review.excludes(out.ring, out.station)) {
      table.mistake("station", fmt::format("{} of ring \"{}\" is excluded twice; remove one.",
                                           out.station, out.ring));
    }
    review.excluded.push_back(std::move(out));
  }
  std::set<std::tuple<std::string, int, std::string, std::string>> seen;
  for (TomlReader& table : file.tables("accept")) {
    Acceptance accepted = acceptance_from(table, specimen);
    if (!seen.emplace(accepted.ring, accepted.station.value_or(-1), accepted.file, accepted.doubt)
             .second) {
      table.mistake("doubt", "is accepted twice; remove one.");
    }
    review.accepted.push_back(std::move(accepted));
  }
  file.finish();
  return review;
}

std::string name_in_brackets(std::string_view line) {
  std::string name;
  for (const char c : line) {
    if (c == ' ' || c == '\t') continue;
    if (c == '#' || c == '\r') break;
    name += c;
  }
  return name;
}

}  // namespace

bool Review::excludes(std::string_view ring, int station) const {
  return std::any_of(excluded.begin(), excluded.end(), [&](const Exclusion& each) {
    return each.station == station && each.ring == ring;
  });
}

Review read_review(const std::filesystem::path& file, const Specimen& specimen) {
  if (!std::filesystem::exists(file)) return {};
  TomlReader reader = TomlReader::from_file(file);
  return review_from(reader, specimen);
}

Review parse_review(std::string_view text, const std::string& name, const Specimen& specimen) {
  TomlReader reader = TomlReader::from_text(text, name);
  return review_from(reader, specimen);
}

std::string review_toml(const Exclusion& exclusion) {
  return fmt::format("\n[[exclude]]\nring = {}\nstation = {}\nreason = {}\ndate = {}\n",
                     toml_text(exclusion.ring), exclusion.station, toml_text(exclusion.reason),
                     toml_text(exclusion.date));
}

std::string review_toml(const Acceptance& acceptance) {
  std::string text = "\n[[accept]]\n";
  if (acceptance.station) {
    text +=
        fmt::format("ring = {}\nstation = {}\n", toml_text(acceptance.ring), *acceptance.station);
  }
  if (!acceptance.file.empty()) text += fmt::format("file = {}\n", toml_text(acceptance.file));
  return text + fmt::format("doubt = {}\nreason = {}\ndate = {}\n", toml_text(acceptance.doubt),
                            toml_text(acceptance.reason), toml_text(acceptance.date));
}

std::string without_table(std::string_view text, std::string_view kind, std::size_t index) {
  const std::string wanted = fmt::format("[[{}]]", kind);
  std::string result;
  std::size_t seen = 0;
  bool leaving_out = false;
  while (!text.empty()) {
    const std::size_t end = std::min(text.find('\n'), text.size() - 1) + 1;
    const std::string_view line = text.substr(0, end);
    const std::string name = name_in_brackets(line.substr(0, line.find('\n')));
    if (name.starts_with("[")) leaving_out = name == wanted && seen++ == index;
    if (!leaving_out) result += line;
    text.remove_prefix(end);
  }
  return result;
}

}  // namespace trunnion

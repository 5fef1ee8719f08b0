// Typed, validated reading of TOML. All mistakes of a file are collected, each with its line and
// remedy (unknown keys with the nearest known one), and reported in one data error.
//
//   TomlReader file = TomlReader::from_file(path);
//   setup.f_number = file.number("f_number", {.min = 0.5, .max = 128}, 8.0);
//   file.finish();   // throws where anything was wrong
#pragma once

#include <filesystem>
#include <limits>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace trunnion {

struct Range {
  double min = -std::numeric_limits<double>::infinity();
  double max = std::numeric_limits<double>::infinity();
  bool open_min = false;  // the minimum itself is not allowed
};
inline constexpr Range kPositive{.min = 0.0, .open_min = true};

class TomlReader {
 public:
  static TomlReader from_file(const std::filesystem::path& path);
  static TomlReader from_text(std::string_view text, const std::string& name);

  // What stands in `beneath` (tables of another file), the first of them first, fills what the text
  // leaves out: key by key, tables within tables too, lists as a whole. `beneath_name` is what
  // messages call the other file. Of a table left open, what was asked for stays
  // with its own file.
  static TomlReader from_text(std::string_view text, const std::string& name,
                              const std::vector<TomlReader>& beneath,
                              const std::string& beneath_name);

  // Without a default a missing key is a mistake. `number` accepts integers; NaN and infinity are
  // mistakes everywhere.
  double number(std::string_view key, const Range& range = {},
                std::optional<double> otherwise = std::nullopt);
  std::optional<double> optional_number(std::string_view key, const Range& range = {});
  int integer(std::string_view key, int min, int max, std::optional<int> otherwise = std::nullopt);
  bool boolean(std::string_view key, bool otherwise);
  std::string text(std::string_view key,
                   const std::optional<std::string>& otherwise = std::nullopt);
  std::vector<double> numbers(std::string_view key, const Range& range = {});
  // One of the listed words; returns its index.
  std::size_t choice(std::string_view key, const std::vector<std::string>& words,
                     std::optional<std::size_t> otherwise = std::nullopt);

  [[nodiscard]] bool has(std::string_view key) const;
  // A sub-table (empty where absent) and an array of tables.
  TomlReader table(std::string_view key);
  std::vector<TomlReader> tables(std::string_view key);

  // Keys that were not asked for belong to another file, for which this table stands beneath:
  // finish() says nothing of them, and canonical() gives them alone.
  void leave_open();
  std::vector<std::string> texts(std::string_view key);

  // This table in one canonical form (sorted keys, no comments); empty where absent. Equal texts
  // mean equal settings.
  [[nodiscard]] std::string canonical() const;

  // The same of each key that was asked for; empty where it is absent.
  [[nodiscard]] std::map<std::string, std::string> canonical_keys() const;

  // A mistake found by the caller; named with the line of `key`.
  void mistake(std::string_view key, const std::string& what);

  // Throws at once where the file's own `format`, 1 where it gives none, is later than `newest`: of
  // such a file nothing else can be judged. Call on the root, first.
  void check_format(int newest);

  // Checks for unknown keys here and in all sub-tables handed out, then throws one data error with
  // all mistakes of the file, if any. Call on the root.
  void finish();

 private:
  struct State;
  struct Node;
  TomlReader(std::shared_ptr<State> state, std::shared_ptr<Node> node);
  std::shared_ptr<State> state_;
  std::shared_ptr<Node> node_;
};

// The known word nearest to `word` by edit distance, or empty where none is near.
std::string nearest_word(std::string_view word, const std::vector<std::string>& known);

}  // namespace trunnion

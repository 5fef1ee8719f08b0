// Typed, validated reading of trunnion's own JSON files. The first mistake is reported with the
// file, the path of the member, what it must be and the remedy.
//
//   const JsonReader in = JsonReader::parse(text, file, "calibrate the setup again");
//   record.magnification = in.object("setup").number("magnification", 0, 200);
#pragma once

#include <limits>
#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <vector>

namespace trunnion {

class JsonReader {
 public:
  static constexpr double kLargest = std::numeric_limits<double>::max();

  // Throws a data error where the text is no JSON object.
  static JsonReader parse(std::string_view text, const std::string& file,
                          const std::string& remedy);

  [[noreturn]] void fail(const std::string& key, const std::string& what) const;
  [[nodiscard]] bool has(const char* key) const;
  [[nodiscard]] double number(const char* key, double min = -kLargest, double max = kLargest) const;
  [[nodiscard]] int integer(const char* key, int min, int max) const;
  [[nodiscard]] bool boolean(const char* key) const;
  [[nodiscard]] std::string text(const char* key) const;
  // One of the listed words; returns its index.
  [[nodiscard]] std::size_t choice(const char* key, const std::vector<std::string>& words) const;
  // A list of `count` numbers, of `rows` lists of `columns` numbers (row by row), of texts.
  [[nodiscard]] std::vector<double> numbers(const char* key, std::size_t count) const;
  [[nodiscard]] std::vector<double> matrix(const char* key, std::size_t rows,
                                           std::size_t columns) const;
  [[nodiscard]] std::vector<std::string> texts(const char* key) const;
  [[nodiscard]] JsonReader object(const char* key) const;
  [[nodiscard]] std::vector<JsonReader> list(const char* key) const;

 private:
  struct Source;  // file, remedy and the parsed tree, shared by all readers of it
  JsonReader(std::shared_ptr<const Source> source, const nlohmann::ordered_json& json,
             std::string path);
  [[nodiscard]] const nlohmann::ordered_json& at(const char* key) const;

  std::shared_ptr<const Source> source_;
  const nlohmann::ordered_json* json_;
  std::string path_;
};

}  // namespace trunnion

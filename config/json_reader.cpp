#include "config/json_reader.h"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "core/error.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::size_t kMaxItems = 1'000'000;
// Deeper files are hostile: every level costs stack where the tree is freed.
constexpr int kMaxDepth = 64;

bool finite_number(const Json& value) {
  return value.is_number() && std::isfinite(value.get<double>());
}

}  // namespace

struct JsonReader::Source {
  std::string file;
  std::string remedy;
  Json json;
};

JsonReader::JsonReader(std::shared_ptr<const Source> source, const Json& json, std::string path)
    : source_(std::move(source)), json_(&json), path_(std::move(path)) {
  if (!json.is_object()) fail("", "must be an object");
}

JsonReader JsonReader::parse(std::string_view text, const std::string& file,
                             const std::string& remedy) {
  bool too_deep = false;
  const auto watch = [&too_deep](int depth, Json::parse_event_t, Json&) {
    too_deep = too_deep || depth > kMaxDepth;
    if (too_deep) throw data_error("");
    return true;
  };
  Json json;
  try {
    json = Json::parse(text, watch);
  } catch (const Json::exception& error) {
    // The library's text begins with its own name of the error in brackets.
    const std::string_view message = error.what();
    throw data_error(fmt::format("{}: is not valid JSON ({}); {}.", file,
                                 message.substr(std::min(message.size(), message.find("] ") + 2)),
                                 remedy));
  } catch (const Error&) {
    throw data_error(fmt::format("{}: is nested more than {} deep; {}.", file, kMaxDepth, remedy));
  }
  const auto source = std::make_shared<const Source>(Source{file, remedy, std::move(json)});
  return {source, source->json, ""};
}

void JsonReader::fail(const std::string& key, const std::string& what) const {
  throw data_error(
      fmt::format("{}: {}{} {}; {}.", source_->file, path_, key, what, source_->remedy));
}

bool JsonReader::has(const char* key) const {
  return json_->contains(key);
}

const Json& JsonReader::at(const char* key) const {
  if (!json_->contains(key)) fail(key, "is missing");
  return json_->at(key);
}

double JsonReader::number(const char* key, double min, double max) const {
  const Json& value = at(key);
  const double number = value.is_number() ? value.get<double>() : std::nan("");
  if (!(number >= min && number <= max)) {
    fail(key, min == -kLargest && max == kLargest
                  ? "must be a number"
                  : fmt::format("must be a number from {} to {}", min, max));
  }
  return number;
}

int JsonReader::integer(const char* key, int min, int max) const {
  if (!at(key).is_number_integer()) fail(key, "must be a whole number");
  return static_cast<int>(number(key, min, max));
}

bool JsonReader::boolean(const char* key) const {
  if (!at(key).is_boolean()) fail(key, "must be true or false");
  return at(key).get<bool>();
}

std::string JsonReader::text(const char* key) const {
  if (!at(key).is_string()) fail(key, "must be a string");
  return at(key).get<std::string>();
}

std::size_t JsonReader::choice(const char* key, const std::vector<std::string>& words) const {
  const std::string word = text(key);
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (words[i] == word) return i;
  }
  fail(key, fmt::format("must be one of \"{}\"", fmt::join(words, "\", \"")));
}

std::vector<double> JsonReader::numbers(const char* key, std::size_t count) const {
  const Json& value = at(key);
  bool good = value.is_array() && value.size() == count;
  std::vector<double> result;
  for (std::size_t i = 0; good && i < count; ++i) {
    good = finite_number(value[i]);
    if (good) result.push_back(value[i].get<double>());
  }
  if (!good) fail(key, fmt::format("must be a list of {} numbers", count));
  return result;
}

std::vector<double> JsonReader::matrix(const char* key, std::size_t rows,
                                       std::size_t columns) const {
  const Json& value = at(key);
  bool good = value.is_array() && value.size() == rows;
  std::vector<double> result;
  for (std::size_t i = 0; good && i < rows; ++i) {
    good = value[i].is_array() && value[i].size() == columns;
    for (std::size_t j = 0; good && j < columns; ++j) {
      good = finite_number(value[i][j]);
      if (good) result.push_back(value[i][j].get<double>());
    }
  }
  if (!good) fail(key, fmt::format("must be {} x {} numbers", rows, columns));
  return result;
}

std::vector<std::string> JsonReader::texts(const char* key) const {
  const Json& value = at(key);
  if (!value.is_array() || value.size() > kMaxItems) fail(key, "must be a list of strings");
  std::vector<std::string> result;
  for (const Json& item : value) {
    if (!item.is_string()) fail(key, "must be a list of strings");
    result.push_back(item.get<std::string>());
  }
  return result;
}

JsonReader JsonReader::object(const char* key) const {
  return {source_, at(key), path_ + key + "."};
}

std::vector<JsonReader> JsonReader::list(const char* key) const {
  const Json& value = at(key);
  if (!value.is_array() || value.size() > kMaxItems) fail(key, "must be a list");
  std::vector<JsonReader> items;
  for (const Json& item : value) {
    items.push_back({source_, item, fmt::format("{}{}[{}].", path_, key, items.size())});
  }
  return items;
}

}  // namespace trunnion

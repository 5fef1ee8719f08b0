#include "config/toml_reader.h"

#include <fmt/format.h>
#include <toml++/toml.h>

#include <algorithm>
#include <cmath>
#include <set>
#include <sstream>

#include "config/file_format.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {

struct TomlReader::State {
  std::string name;
  std::string beneath_name;  // of the file that filled what this one leaves out
  toml::table root;
  std::vector<std::string> mistakes;
};

struct TomlReader::Node {
  const toml::table* table = nullptr;  // null: an absent table, every key takes its default
  std::string path;                    // "lens." for messages
  std::set<std::string, std::less<>> known;
  std::vector<std::shared_ptr<Node>> children;
  bool open = false;  // unknown keys are no mistake
};

namespace {

constexpr std::uintmax_t kMaxTomlBytes = 4U << 20U;

std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) row[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t diagonal = row[0];
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t above = row[j];
      row[j] = std::min({above + 1, row[j - 1] + 1, diagonal + (a[i - 1] == b[j - 1] ? 0 : 1)});
      diagonal = above;
    }
  }
  return row[b.size()];
}

std::string describe(const Range& range) {
  const bool low = std::isfinite(range.min);
  const bool high = std::isfinite(range.max);
  if (low && high) return fmt::format("between {} and {}", range.min, range.max);
  if (low) return fmt::format("{} {}", range.open_min ? "above" : "at least", range.min);
  if (high) return fmt::format("at most {}", range.max);
  return "a finite number";
}

bool inside(const Range& range, double value) {
  return std::isfinite(value) && value >= range.min && value <= range.max &&
         !(range.open_min && value == range.min);
}

using Keys = std::set<std::string, std::less<>>;

void fill(toml::table& table, const toml::table& beneath, const Keys& except = {}) {
  for (const auto& [key, value] : beneath) {
    if (except.contains(key.str())) continue;
    toml::node* const own = table.get(key.str());
    if (own == nullptr) {
      table.insert(key.str(), value);
    } else if (own->is_table() && value.is_table()) {
      fill(*own->as_table(), *value.as_table());
    }
  }
}

}  // namespace

std::string nearest_word(std::string_view word, const std::vector<std::string>& known) {
  std::string best;
  std::size_t best_distance = std::max<std::size_t>(2, word.size() / 3) + 1;
  for (const std::string& candidate : known) {
    const std::size_t distance = edit_distance(word, candidate);
    if (distance < best_distance) {
      best_distance = distance;
      best = candidate;
    }
  }
  return best;
}

TomlReader::TomlReader(std::shared_ptr<State> state, std::shared_ptr<Node> node)
    : state_(std::move(state)), node_(std::move(node)) {}

TomlReader TomlReader::from_file(const std::filesystem::path& path) {
  return from_text(read_file(path, kMaxTomlBytes), path.string());
}

TomlReader TomlReader::from_text(std::string_view text, const std::string& name) {
  auto state = std::make_shared<State>();
  state->name = name;
  try {
    state->root = toml::parse(text, name);
  } catch (const toml::parse_error& error) {
    throw data_error(fmt::format("{}, line {}: {}; correct the TOML there.", name,
                                 error.source().begin.line, error.description()));
  }
  auto node = std::make_shared<Node>();
  node->table = &state->root;
  return {state, node};
}

TomlReader TomlReader::from_text(std::string_view text, const std::string& name,
                                 const std::vector<TomlReader>& beneath,
                                 const std::string& beneath_name) {
  TomlReader reader = from_text(text, name);
  reader.state_->beneath_name = beneath_name;
  for (const TomlReader& each : beneath) {
    if (each.node_->table != nullptr)
      fill(reader.state_->root, *each.node_->table, each.node_->known);
  }
  return reader;
}

bool TomlReader::has(std::string_view key) const {
  return node_->table != nullptr && node_->table->contains(key);
}

void TomlReader::mistake(std::string_view key, const std::string& what) {
  std::uint32_t line = 0;
  if (node_->table != nullptr) {
    const toml::node* found = node_->table->get(key);
    line = found != nullptr ? found->source().begin.line : node_->table->source().begin.line;
  }
  const std::string where = line > 0 ? fmt::format(", line {}", line) : std::string();
  // The library gives what it copies no line: that is from the other file.
  const bool from_beneath = line == 0 && has(key) && !state_->beneath_name.empty();
  const std::string file =
      from_beneath ? fmt::format("{} (for {})", state_->beneath_name, state_->name) : state_->name;
  state_->mistakes.push_back(fmt::format("{}{}: {}{} {}", file, where, node_->path, key, what));
}

std::optional<double> TomlReader::optional_number(std::string_view key, const Range& range) {
  node_->known.emplace(key);
  if (!has(key)) return std::nullopt;
  const toml::node& found = *node_->table->get(key);
  const bool numeric = found.is_number();
  const double value = numeric ? found.value<double>().value_or(std::nan("")) : 0.0;
  if (!numeric) {
    mistake(key, fmt::format("must be a number, {}.", describe(range)));
    return std::nullopt;
  }
  if (!inside(range, value)) {
    mistake(key, fmt::format("is {}, but must be {}.", value, describe(range)));
    return std::nullopt;
  }
  return value;
}

double TomlReader::number(std::string_view key, const Range& range,
                          std::optional<double> otherwise) {
  const bool present = has(key);
  const std::optional<double> value = optional_number(key, range);
  if (value) return *value;
  if (!present && !otherwise) {
    mistake(key, fmt::format("is missing; give a number, {}.", describe(range)));
  }
  return otherwise.value_or(0.0);
}

int TomlReader::integer(std::string_view key, int min, int max, std::optional<int> otherwise) {
  node_->known.emplace(key);
  if (!has(key)) {
    if (!otherwise) {
      mistake(key, fmt::format("is missing; give a whole number from {} to {}.", min, max));
    }
    return otherwise.value_or(min);
  }
  const auto* found = node_->table->get(key)->as_integer();
  if (found == nullptr || found->get() < min || found->get() > max) {
    mistake(key, fmt::format("must be a whole number from {} to {}.", min, max));
    return otherwise.value_or(min);
  }
  return static_cast<int>(found->get());
}

bool TomlReader::boolean(std::string_view key, bool otherwise) {
  node_->known.emplace(key);
  if (!has(key)) return otherwise;
  const auto* found = node_->table->get(key)->as_boolean();
  if (found == nullptr) {
    mistake(key, "must be true or false.");
    return otherwise;
  }
  return found->get();
}

std::string TomlReader::text(std::string_view key, const std::optional<std::string>& otherwise) {
  node_->known.emplace(key);
  if (!has(key)) {
    if (!otherwise) mistake(key, "is missing; give a string in quotes.");
    return otherwise.value_or("");
  }
  const auto* found = node_->table->get(key)->as_string();
  if (found == nullptr) {
    mistake(key, "must be a string in quotes.");
    return otherwise.value_or("");
  }
  if (found->get().find('\0') != std::string::npos) {
    mistake(key, "must not contain a NUL character.");
    return otherwise.value_or("");
  }
  return found->get();
}

std::vector<double> TomlReader::numbers(std::string_view key, const Range& range) {
  node_->known.emplace(key);
  if (!has(key)) return {};
  const toml::array* found = node_->table->get(key)->as_array();
  std::vector<double> values;
  bool good = found != nullptr;
  for (std::size_t i = 0; good && i < found->size(); ++i) {
    const toml::node& element = (*found)[i];
    values.push_back(element.is_number() ? element.value<double>().value_or(std::nan(""))
                                         : std::nan(""));
    good = inside(range, values.back());
  }
  if (!good) {
    mistake(key, fmt::format("must be a list of numbers, each {}.", describe(range)));
    values.clear();
  }
  return values;
}

std::vector<std::string> TomlReader::texts(std::string_view key) {
  node_->known.emplace(key);
  if (!has(key)) return {};
  const toml::array* found = node_->table->get(key)->as_array();
  std::vector<std::string> values;
  if (found != nullptr && (found->empty() || found->is_homogeneous<std::string>())) {
    for (const toml::node& element : *found) values.push_back(element.as_string()->get());
  } else {
    mistake(key, "must be a list of strings in quotes.");
  }
  return values;
}

void TomlReader::leave_open() {
  node_->open = true;
}

std::size_t TomlReader::choice(std::string_view key, const std::vector<std::string>& words,
                               std::optional<std::size_t> otherwise) {
  node_->known.emplace(key);
  const auto* found = has(key) ? node_->table->get(key)->as_string() : nullptr;
  if (found != nullptr) {
    const auto position = std::find(words.begin(), words.end(), found->get());
    if (position != words.end()) return static_cast<std::size_t>(position - words.begin());
  }
  if (has(key) || !otherwise) {
    const std::string near = found != nullptr ? nearest_word(found->get(), words) : "";
    mistake(key, fmt::format("{} one of \"{}\".{}", has(key) ? "must be" : "is missing; give",
                             fmt::join(words, "\", \""),
                             near.empty() ? "" : fmt::format(" Did you mean \"{}\"?", near)));
  }
  return otherwise.value_or(0);
}

std::string TomlReader::canonical() const {
  if (node_->table == nullptr) return "";
  std::ostringstream text;
  toml::table table = *node_->table;
  if (node_->open) {
    for (const std::string& key : node_->known) table.erase(key);
  }
  text << table;
  return text.str();
}

std::map<std::string, std::string> TomlReader::canonical_keys() const {
  std::map<std::string, std::string> texts;
  for (const std::string& key : node_->known) {
    std::string& text = texts[key];
    if (!has(key)) continue;
    std::ostringstream written;
    node_->table->get(key)->visit([&written](const auto& value) { written << value; });
    text = written.str();
  }
  return texts;
}

TomlReader TomlReader::table(std::string_view key) {
  node_->known.emplace(key);
  const std::string path = fmt::format("{}{}.", node_->path, key);
  for (const std::shared_ptr<Node>& given : node_->children) {
    if (given->path == path) return {state_, given};
  }
  auto child = std::make_shared<Node>();
  child->path = path;
  if (has(key)) {
    child->table = node_->table->get(key)->as_table();
    if (child->table == nullptr) mistake(key, fmt::format("must be a table: [{}].", key));
  }
  node_->children.push_back(child);
  return {state_, child};
}

std::vector<TomlReader> TomlReader::tables(std::string_view key) {
  node_->known.emplace(key);
  std::vector<TomlReader> result;
  if (!has(key)) return result;
  const toml::array* found = node_->table->get(key)->as_array();
  if (found == nullptr || !found->is_array_of_tables()) {
    mistake(key, fmt::format("must be a list of tables, each headed [[{}]].", key));
    return result;
  }
  for (std::size_t i = 0; i < found->size(); ++i) {
    auto child = std::make_shared<Node>();
    child->path = fmt::format("{}{}[{}].", node_->path, key, i + 1);
    child->table = (*found)[i].as_table();
    node_->children.push_back(child);
    result.push_back(TomlReader(state_, child));
  }
  return result;
}

void TomlReader::check_format(int newest) {
  constexpr int kMost = 1'000'000;
  trunnion::check_format(state_->name, integer("format", 1, kMost, 1), newest);
}

void TomlReader::finish() {
  std::vector<std::shared_ptr<Node>> open{node_};
  while (!open.empty()) {
    const std::shared_ptr<Node> node = open.back();
    open.pop_back();
    if (node->open) continue;
    open.insert(open.end(), node->children.begin(), node->children.end());
    if (node->table == nullptr) continue;
    for (const auto& [key, value] : *node->table) {
      if (node->known.contains(key.str())) continue;
      const std::vector<std::string> known(node->known.begin(), node->known.end());
      const std::string near = nearest_word(key.str(), known);
      TomlReader(state_, node)
          .mistake(key.str(),
                   near.empty()
                       ? fmt::format("is not a known key; known here: {}.", fmt::join(known, ", "))
                       : fmt::format("is not a known key; did you mean \"{}\"?", near));
    }
  }
  if (state_->mistakes.empty()) return;
  throw data_error(fmt::format("{}", fmt::join(state_->mistakes, "\n")));
}

}  // namespace trunnion

#include "config/specimen_record.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <optional>

#include "core/csv.h"
#include "core/error.h"

namespace trunnion {
namespace {

constexpr std::size_t kLongestField = 10'000;  // bytes of a field; a label is read, not a book

// The JSON library refuses to write any other text.
bool is_utf8(std::string_view text) {
  try {
    (void)nlohmann::json(text).dump();
    return true;
  } catch (const nlohmann::json::type_error&) {
    return false;
  }
}

std::string_view without_prefix(std::string_view term) {
  const std::size_t colon = term.find(':');
  return colon == std::string_view::npos ? term : term.substr(colon + 1);
}

// Index into kRecordTerms, or none.
std::optional<std::size_t> term_of(std::string_view column) {
  for (std::size_t i = 0; i < kRecordTerms.size(); ++i) {
    const std::string_view term = kRecordTerms.at(i).term;
    const bool any_dublin_core = column == fmt::format("dc:{}", without_prefix(term)) ||
                                 column == fmt::format("dcterms:{}", without_prefix(term));
    if (column == term || column == without_prefix(term) ||
        (any_dublin_core && !term.starts_with("dwc:"))) {
      return i;
    }
  }
  return std::nullopt;
}

struct RecordColumns {
  std::vector<std::optional<std::size_t>> terms;  // by column
  std::optional<std::size_t> workspace;
};

RecordColumns record_columns(const std::vector<std::string>& head, const std::string& name,
                             std::vector<std::string>& mistakes) {
  RecordColumns columns;
  std::vector<std::string> seen;
  for (std::size_t i = 0; i < head.size(); ++i) {
    const std::optional<std::size_t> term = term_of(head[i]);
    columns.terms.push_back(term);
    const bool workspace = head[i] == "workspace";
    if (workspace) columns.workspace = i;
    if (!term && !workspace) continue;
    const std::string known = workspace ? "workspace" : kRecordTerms.at(*term).key;
    if (std::find(seen.begin(), seen.end(), known) != seen.end()) {
      mistakes.push_back(fmt::format(
          "{}, line 1: the column {} is there twice; remove one of them.", name, head[i]));
    }
    seen.push_back(known);
  }
  const bool numbered = std::find(seen.begin(), seen.end(), "catalogue_number") != seen.end();
  if (!numbered && !columns.workspace) {
    mistakes.push_back(
        fmt::format("{}, line 1: has neither a column catalogNumber nor a column workspace, so "
                    "that no row belongs to a specimen; add one of them.",
                    name));
  }
  return columns;
}

RecordRow record_row(const std::vector<std::string>& cells, const RecordColumns& columns,
                     const std::string& where, std::vector<std::string>& mistakes) {
  RecordRow row;
  for (std::size_t i = 0; i < cells.size() && i < columns.terms.size(); ++i) {
    if (columns.workspace == i) row.workspace = cells[i];
    if (!columns.terms[i]) continue;
    const RecordTerm& term = kRecordTerms.at(*columns.terms[i]);
    const std::string mistake = record_text_mistake(cells[i]);
    if (!mistake.empty()) {
      mistakes.push_back(fmt::format("{}: {} {}", where, term.term, mistake));
    }
    row.record.*term.field = cells[i];
  }
  return row;
}

}  // namespace

std::string record_text_mistake(std::string_view text) {
  if (text.size() > kLongestField) {
    return fmt::format("has {} bytes; give at most {}.", text.size(), kLongestField);
  }
  if (!is_utf8(text)) return "is not UTF-8 text; save the file as UTF-8.";
  // XML 1.0, 2.2: of the control characters only these three have a place.
  const bool control = std::any_of(text.begin(), text.end(), [](char each) {
    const auto code = static_cast<unsigned char>(each);
    return (code < 0x20 && each != '\n' && each != '\r' && each != '\t') || code == 0x7F;
  });
  return control ? "holds a control character; take it out." : "";
}

SpecimenRecord record_from(TomlReader table) {
  SpecimenRecord record;
  for (const RecordTerm& term : kRecordTerms) {
    record.*term.field = table.text(term.key, "");
    const std::string mistake = record_text_mistake(record.*term.field);
    if (!mistake.empty()) table.mistake(term.key, mistake);
  }
  return record;
}

std::vector<RecordRow> parse_record_table(std::string_view text, const std::string& name) {
  constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";
  if (text.starts_with(kByteOrderMark)) text.remove_prefix(kByteOrderMark.size());
  const std::vector<std::vector<std::string>> cells = parse_csv(text, name);
  if (cells.empty() || cells.front() == std::vector<std::string>{""}) {
    throw data_error(fmt::format(
        "{}: is empty; write a line with the columns' names and a line a specimen.", name));
  }
  std::vector<std::string> mistakes;
  const RecordColumns columns = record_columns(cells.front(), name, mistakes);
  std::vector<RecordRow> rows;
  for (std::size_t i = 1; i < cells.size(); ++i) {
    if (cells[i] == std::vector<std::string>{""}) continue;
    const std::string where = fmt::format("{}, row {}", name, i + 1);
    if (cells[i].size() != cells.front().size()) {
      mistakes.push_back(fmt::format("{}: has {} cells, but the head has {}; correct it.", where,
                                     cells[i].size(), cells.front().size()));
    }
    rows.push_back(record_row(cells[i], columns, where, mistakes));
    rows.back().line = i + 1;
  }
  if (!mistakes.empty()) throw data_error(fmt::format("{}", fmt::join(mistakes, "\n")));
  return rows;
}

SpecimenRecord filled(SpecimenRecord first, const SpecimenRecord& second) {
  for (const RecordTerm& term : kRecordTerms) {
    if ((first.*term.field).empty()) first.*term.field = second.*term.field;
  }
  return first;
}

}  // namespace trunnion

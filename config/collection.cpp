#include "config/collection.h"

#include <fmt/format.h>
#include <fnmatch.h>

#include <algorithm>
#include <mutex>

#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

constexpr const char* kCollectionName = "collection.toml";
constexpr int kCollectionFormat = 1;  // raised where a reader of the version before would go wrong
constexpr std::uintmax_t kMostRecordBytes = 256U << 20U;

std::vector<std::string> parts_of(const std::string& path) {
  std::vector<std::string> parts;
  for (const fs::path& part : fs::path(path).lexically_normal()) {
    if (!part.empty() && part != ".") parts.push_back(part.string());
  }
  return parts;
}

using Part = std::vector<std::string>::const_iterator;

bool fits_from(Part pattern, Part pattern_end, Part path, Part path_end) {
  if (pattern == pattern_end) return path == path_end;
  if (*pattern == "**") {
    for (Part rest = path;; ++rest) {
      if (fits_from(pattern + 1, pattern_end, rest, path_end)) return true;
      if (rest == path_end) return false;
    }
  }
  return path != path_end && ::fnmatch(pattern->c_str(), path->c_str(), FNM_PERIOD) == 0 &&
         fits_from(pattern + 1, pattern_end, path + 1, path_end);
}

bool fits_any(const std::vector<std::string>& patterns, const std::string& path) {
  return std::any_of(patterns.begin(), patterns.end(),
                     [&path](const std::string& pattern) { return fits_pattern(pattern, path); });
}

void check_patterns(TomlReader& table, std::string_view key,
                    const std::vector<std::string>& patterns) {
  for (const std::string& pattern : patterns) {
    const std::vector<std::string> parts = parts_of(pattern);
    if (parts.empty() || fs::path(pattern).is_absolute() ||
        std::find(parts.begin(), parts.end(), "..") != parts.end()) {
      table.mistake(key, fmt::format("holds \"{}\"; name folders below the collection's own, such "
                                     "as \"drawer-*/*\".",
                                     pattern));
    }
  }
}

// Parts of the patterns that may still fit below a folder are not worked out: hidden folders and
// the insides of a workspace are left alone, which is what costs time.
void find_below(const Collection& collection, const fs::path& folder, std::size_t deepest,
                std::vector<std::string>& found) {
  std::error_code code;
  for (fs::directory_iterator each(folder, code), end; !code && each != end; each.increment(code)) {
    std::error_code unreadable;
    if (!each->is_directory(unreadable) || each->path().filename().string().starts_with(".")) {
      continue;
    }
    const std::string name = each->path().lexically_relative(collection.root()).generic_string();
    if (fs::exists(each->path() / "specimen.toml", unreadable)) {
      if (collection.names(name)) found.push_back(name);
    } else if (parts_of(name).size() < deepest) {
      find_below(collection, each->path(), deepest, found);
    }
  }
}

void read_rows(Collection& collection) {
  if (collection.records_file.empty()) return;
  collection.rows = parse_record_table(read_file(collection.records_file, kMostRecordBytes),
                                       collection.records_file.string());
  for (std::size_t i = 0; i < collection.rows.size(); ++i) {
    const RecordRow& row = collection.rows[i];
    if (!row.workspace.empty()) {
      collection.row_by_workspace.emplace(
          fs::path(row.workspace).lexically_normal().generic_string(), i);
    } else if (!row.record.catalogue_number.empty()) {
      collection.row_by_number.emplace(row.record.catalogue_number, i);
    }
  }
}

std::shared_ptr<Collection> parse_collection(const fs::path& file) {
  auto collection = std::make_shared<Collection>();
  collection->file = file;
  TomlReader reader = TomlReader::from_file(file);
  reader.check_format(kCollectionFormat);
  collection->title = reader.text("title", file.parent_path().filename().string());
  collection->workspaces = reader.texts("workspaces");
  if (collection->workspaces.empty()) {
    reader.mistake("workspaces", "is missing; name the folders, as workspaces = [\"drawer-*/*\"].");
  }
  check_patterns(reader, "workspaces", collection->workspaces);
  collection->leave_out = reader.texts("leave_out");
  check_patterns(reader, "leave_out", collection->leave_out);
  const std::string records = reader.text("records", "");
  if (!records.empty()) collection->records_file = file.parent_path() / records;
  TomlReader defaults = reader.table("defaults");
  defaults.leave_open();
  if (reader.has("defaults")) collection->defaults.push_back(defaults);
  for (TomlReader& table : reader.tables("some")) {
    const std::vector<std::string> which = table.texts("workspaces");
    if (which.empty()) {
      table.mistake("workspaces", "is missing; name the folders that this is for.");
    }
    check_patterns(table, "workspaces", which);
    table.leave_open();
    collection->some.push_back({which, table});
  }
  reader.finish();
  read_rows(*collection);
  return collection;
}

// Read once while the files keep their size and time stamp.
std::shared_ptr<const Collection> remembered(const fs::path& file) {
  struct Entry {
    std::string stamp;
    std::shared_ptr<const Collection> collection;
  };
  static std::mutex mutex;
  static std::map<fs::path, Entry> known;
  const auto stamp_text = [](const fs::path& each) {
    std::error_code code;
    const auto bytes = fs::file_size(each, code);
    const auto time = fs::last_write_time(each, code);
    return fmt::format("{} {};", code ? 0 : bytes, code ? 0 : time.time_since_epoch().count());
  };
  const std::scoped_lock lock(mutex);
  Entry& entry = known[file];
  if (entry.collection) {
    const std::string now = stamp_text(file) + stamp_text(entry.collection->records_file);
    if (now == entry.stamp) return entry.collection;
  }
  entry.collection = nullptr;
  const std::string before = stamp_text(file);
  const std::shared_ptr<const Collection> read = parse_collection(file);
  entry = {before + stamp_text(read->records_file), read};
  return read;
}

}  // namespace

bool fits_pattern(const std::string& pattern, const std::string& path) {
  const std::vector<std::string> patterns = parts_of(pattern);
  const std::vector<std::string> parts = parts_of(path);
  return fits_from(patterns.begin(), patterns.end(), parts.begin(), parts.end());
}

std::string Collection::name_of(const fs::path& folder) const {
  std::error_code code;
  // As the collection sees it: a linked workspace keeps the name of the link.
  const fs::path parent = fs::weakly_canonical(fs::absolute(folder).lexically_normal(), code);
  const fs::path linked = fs::absolute(folder).lexically_normal().lexically_relative(root());
  if (!linked.empty() && *linked.begin() != "..") {
    std::string name = linked.generic_string();
    if (name.ends_with("/")) name.pop_back();
    return name;
  }
  return parent.lexically_relative(fs::weakly_canonical(root(), code)).generic_string();
}

bool Collection::names(const std::string& workspace) const {
  return fits_any(workspaces, workspace) && !fits_any(leave_out, workspace);
}

std::vector<std::string> Collection::find() const {
  std::size_t deepest = 0;
  for (const std::string& pattern : workspaces) {
    const std::vector<std::string> parts = parts_of(pattern);
    constexpr std::size_t kAnyDepth = 32;
    const bool any = std::find(parts.begin(), parts.end(), "**") != parts.end();
    deepest = std::max(deepest, any ? kAnyDepth : parts.size());
  }
  std::vector<std::string> found;
  find_below(*this, root(), deepest, found);
  std::sort(found.begin(), found.end());
  return found;
}

std::vector<TomlReader> Collection::beneath(const std::string& workspace) const {
  std::vector<TomlReader> tables;
  for (auto each = some.rbegin(); each != some.rend(); ++each) {
    if (fits_any(each->workspaces, workspace)) tables.push_back(each->table);
  }
  tables.insert(tables.end(), defaults.begin(), defaults.end());
  return tables;
}

std::string Collection::given_text(const std::string& workspace) const {
  std::string text;
  for (const TomlReader& table : beneath(workspace)) text += table.canonical() + "\n";
  return text;
}

const RecordRow* Collection::row_of(const std::string& workspace,
                                    const std::string& catalogue_number) const {
  const auto at = row_by_workspace.find(workspace);
  if (at != row_by_workspace.end()) return &rows[at->second];
  const std::string folder = fs::path(workspace).filename().string();
  const auto number = row_by_number.find(catalogue_number.empty() ? folder : catalogue_number);
  return number == row_by_number.end() ? nullptr : &rows[number->second];
}

std::shared_ptr<const Collection> read_collection(const fs::path& place) {
  std::error_code code;
  const fs::path file = fs::is_directory(place, code) ? place / kCollectionName : place;
  if (!fs::exists(file, code)) {
    throw usage_error(
        fmt::format("{}: no such file; give a collection, a folder that holds collection.toml.",
                    file.string()));
  }
  return remembered(fs::absolute(file).lexically_normal());
}

std::shared_ptr<const Collection> collection_of(const fs::path& workspace) {
  std::error_code code;
  fs::path start = fs::absolute(workspace, code).lexically_normal();
  if (!start.has_filename()) start = start.parent_path();  // "specimen/"
  for (fs::path folder = start.parent_path();; folder = folder.parent_path()) {
    const fs::path file = folder / kCollectionName;
    if (fs::exists(file, code)) {
      std::shared_ptr<const Collection> collection = remembered(file);
      return collection->names(collection->name_of(workspace)) ? collection : nullptr;
    }
    if (folder == folder.parent_path()) return nullptr;
  }
}

}  // namespace trunnion

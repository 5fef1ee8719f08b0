// A collection: a folder with collection.toml and many workspaces below it. The file says where
// they are and what they have in common; it keeps no state.
//
//   title = "Beetles, drawers 1 to 40"
//   workspaces = ["drawer-*/*"]       # folders; * ? [abc] within a name, ** for any number of
//   names leave_out = ["drawer-3/test-*"] records = "specimens.csv"         # optional;
//   specimen_record.h [defaults]                        # of specimen.toml, for every workspace
//   setup = "setups/macro.toml"       # here relative to the collection
//   [defaults.record]
//   institution = "MUS"
//   [defaults.mask]
//   margin_px = 2
//   [[some]]                          # for some of them; a later one is laid over an earlier one
//   workspaces = ["drawer-7/*"]
//   [some.mask]
//   mount = "detect"
//
// What specimen.toml says itself stands; then what the records' table says of its record, then
// [[some]], then [defaults]. Every command sees the same, since the file is found from the
// workspace: the nearest collection.toml in a folder above, if its `workspaces` name the folder.
#pragma once

#include <filesystem>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "config/specimen_record.h"
#include "config/toml_reader.h"

namespace trunnion {

struct Collection {
  std::filesystem::path file;  // collection.toml, absolute
  std::string title;
  std::vector<std::string> workspaces;  // patterns
  std::vector<std::string> leave_out;
  std::filesystem::path records_file;  // empty without one
  std::vector<RecordRow> rows;

  [[nodiscard]] std::filesystem::path root() const { return file.parent_path(); }
  // A folder as the collection calls it: relative to root(), forward slashes.
  [[nodiscard]] std::string name_of(const std::filesystem::path& folder) const;
  [[nodiscard]] bool names(const std::string& workspace) const;
  // Folders that hold specimen.toml, by name, sorted.
  [[nodiscard]] std::vector<std::string> find() const;

  // Tables for a workspace's specimen.toml, the first of them first, and their text.
  [[nodiscard]] std::vector<TomlReader> beneath(const std::string& workspace) const;
  [[nodiscard]] std::string given_text(const std::string& workspace) const;

  // The row of a workspace: by the column "workspace", else by its catalogue number, else by the
  // name of its folder. Null where there is none.
  [[nodiscard]] const RecordRow* row_of(const std::string& workspace,
                                        const std::string& catalogue_number) const;

  struct Some {
    std::vector<std::string> workspaces;
    TomlReader table;
  };
  std::vector<TomlReader> defaults;  // none or one
  std::vector<Some> some;
  std::map<std::string, std::size_t> row_by_workspace;
  std::map<std::string, std::size_t> row_by_number;
};

// `place`: a collection.toml or its folder. Throws a usage error where there is none, a data error
// that names every mistake.
std::shared_ptr<const Collection> read_collection(const std::filesystem::path& place);

// The collection that a workspace belongs to; null where there is none. Read once while its files
// stay as they are.
std::shared_ptr<const Collection> collection_of(const std::filesystem::path& workspace);

// True where a relative path fits a pattern: * ? [] within a name (POSIX, fnmatch), ** any number
// of names.
bool fits_pattern(const std::string& pattern, const std::string& path);

}  // namespace trunnion

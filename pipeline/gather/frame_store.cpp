#include "pipeline/gather/frame_store.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <set>

#include "core/copy_file.h"
#include "core/csv.h"
#include "core/error.h"
#include "core/hash.h"
#include "pipeline/journal.h"

namespace trunnion {
namespace {

// Paths are not text cells: an apostrophe in front of them would change them.
std::string path_cell(const std::string& text) {
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + '"';
}

std::string list_text(const FolderContent& content) {
  std::string csv = "copy,source,bytes,modified_ns,hash\r\n";
  for (const auto& [name, source] : content) {
    csv += fmt::format("{},{},{},{},{}\r\n", path_cell(name), path_cell(source.file.string()),
                       source.bytes, source.modified_ns, source.hash);
  }
  return csv;
}

template <typename Number>
bool parse(const std::string& cell, Number& value) {
  const auto [end, code] = std::from_chars(cell.data(), cell.data() + cell.size(), value);
  return code == std::errc() && end == cell.data() + cell.size();
}

FolderContent read_list(const fs::path& file) {
  FolderContent content;
  const auto rows = parse_csv(read_file(file), file.string());
  for (std::size_t i = 1; i < rows.size(); ++i) {
    const auto& row = rows[i];
    FrameSource source;
    if (row.size() != 5 || row[0].find('/') != std::string::npos || !parse(row[2], source.bytes) ||
        !parse(row[3], source.modified_ns)) {
      throw data_error(
          fmt::format("{}, line {}: is damaged; restore it, or move the folder away "
                      "and gather again.",
                      file.string(), i + 1));
    }
    source.file = row[1];
    source.hash = row[4];
    content[row[0]] = source;
  }
  return content;
}

bool equal(const FolderContent& a, const FolderContent& b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](const auto& x, const auto& y) {
    return x.first == y.first && x.second.same_file(y.second);
  });
}

class StoreWriter {
 public:
  StoreWriter(fs::path frames, const std::function<void()>& step)
      : frames_(std::move(frames)), step_(step) {}

  void apply(const std::vector<StoreChange>& changes) {
    const std::map<std::string, FolderContent> before = read_store(frames_);
    std::vector<const StoreChange*> updates;
    for (const StoreChange& change : changes) {
      const auto old = before.find(change.folder);
      if (old == before.end()) {
        fill_new(change);
      } else if (equal(old->second, change.wanted) && all_there(change)) {
        keep(change);
      } else {
        updates.push_back(&change);
      }
    }
    for (const StoreChange* change : updates) add_to(*change, before.at(change->folder));
    for (const auto& [folder, content] : before) {
      const auto wanted =
          std::find_if(changes.begin(), changes.end(),
                       [&name = folder](const StoreChange& c) { return c.folder == name; });
      drop_stale(folder, content, wanted == changes.end() ? FolderContent{} : wanted->wanted);
    }
  }

  StoreResult result;

 private:
  bool all_there(const StoreChange& change) const {
    return std::all_of(change.wanted.begin(), change.wanted.end(), [&](const auto& entry) {
      std::error_code code;
      return fs::file_size(frames_ / change.folder / entry.first, code) == entry.second.bytes &&
             !code;
    });
  }

  void keep(const StoreChange& change) {
    result.kept += static_cast<int>(change.wanted.size());
    for (std::size_t i = 0; i < change.wanted.size(); ++i) step_();
  }

  std::string copy(const fs::path& from, const fs::path& to, const std::string& known_hash) {
    const CopiedFile copied = copy_file_checked(from, to);
    if (!known_hash.empty() && copied.hash != known_hash) {
      throw data_error(
          fmt::format("{}: has changed since it was gathered; give the original frames "
                      "again.",
                      from.string()));
    }
    ++result.copied;
    if (copied.reflink) ++result.reflinks;
    return copied.hash;
  }

  void fill_new(const StoreChange& change) {
    const fs::path final_path = frames_ / change.folder;
    if (fs::exists(fs::symlink_status(final_path))) {
      throw data_error(
          fmt::format("{}: exists already and was not made by trunnion gather; move it "
                      "away, then gather again.",
                      final_path.string()));
    }
    fs::create_directories(final_path.parent_path());
    PendingFolder folder(final_path);
    FolderContent content = change.wanted;
    for (auto& [name, source] : content) {
      source.hash = copy(change.from.at(name), folder.temporary() / name, source.hash);
      step_();
    }
    write_file(folder.temporary() / kGatheredList, list_text(content));
    folder.commit();
  }

  // A frame that keeps its name but is another one now gets in the way: it goes through a rename of
  // the finished copy, so that the name always holds a whole frame.
  void add_to(const StoreChange& change, const FolderContent& old) {
    const fs::path folder = frames_ / change.folder;
    FolderContent all = old;
    FolderContent wanted = change.wanted;
    for (const auto& [name, source] : wanted) all.try_emplace(name, source);
    write_file(folder / kGatheredList, list_text(all));
    // Copied first, renamed after all are there: one may be read from another's present name.
    std::vector<PendingFile> fresh;
    for (auto& [name, source] : wanted) {
      const auto known = old.find(name);
      const fs::path file = folder / name;
      std::error_code code;
      if (known != old.end() && known->second.same_file(source) &&
          fs::file_size(file, code) == source.bytes && !code) {
        source.hash = known->second.hash;
        ++result.kept;
      } else {
        PendingFile pending(file);
        source.hash = copy(change.from.at(name), pending.temporary(), source.hash);
        fresh.push_back(std::move(pending));
      }
      step_();
    }
    for (PendingFile& pending : fresh) pending.commit();
    for (const auto& [name, source] : wanted) all[name] = source;
    write_file(folder / kGatheredList, list_text(all));
  }

  void drop_stale(const std::string& folder, const FolderContent& had,
                  const FolderContent& wanted) {
    if (std::all_of(had.begin(), had.end(),
                    [&](const auto& entry) { return wanted.contains(entry.first); })) {
      return;
    }
    FolderContent left = read_list(frames_ / folder / kGatheredList);
    for (const auto& [name, source] : had) {
      if (wanted.contains(name)) continue;
      remove_own(frames_ / folder / name, source);
      left.erase(name);
    }
    close_folder(folder, left);
  }

  // A copy that somebody changed is theirs now.
  void remove_own(const fs::path& file, const FrameSource& source) {
    std::error_code code;
    if (!fs::exists(fs::symlink_status(file))) return;
    if (!source.hash.empty() && hash_file(file) != source.hash) {
      result.altered.push_back(file.string());
      return;
    }
    if (fs::remove(file, code)) ++result.removed;
  }

  // The list goes last, once nothing is left that it names.
  void close_folder(const std::string& folder, const FolderContent& left) {
    const fs::path path = frames_ / folder;
    if (!left.empty()) {
      write_file(path / kGatheredList, list_text(left));
      return;
    }
    std::error_code code;
    fs::remove(path / kGatheredList, code);
    fs::remove(path, code);  // where nothing of the user's is in it
  }

  fs::path frames_;
  const std::function<void()>& step_;
};

}  // namespace

FrameSource source_of(const fs::path& file) {
  const FileStamp stamp = stamp_of(file);
  return {file, stamp.bytes, stamp.modified_ns, {}};
}

std::map<std::string, FolderContent> read_store(const fs::path& frames) {
  std::map<std::string, FolderContent> store;
  if (!fs::is_directory(frames)) return store;
  for (const fs::path& root : {frames, frames / "aside"}) {
    if (!fs::is_directory(root)) continue;
    for (const auto& entry : fs::directory_iterator(root)) {
      const fs::path list = entry.path() / kGatheredList;
      if (entry.path().filename().string().starts_with(kTemporaryPrefix)) continue;
      if (!entry.is_directory() || !fs::exists(list)) continue;
      store[entry.path().lexically_relative(frames).generic_string()] = read_list(list);
    }
  }
  return store;
}

StoreResult change_store(const fs::path& frames, const std::vector<StoreChange>& changes,
                         const std::function<void()>& step) {
  fs::create_directories(frames);
  for (const fs::path& root : {frames, frames / "aside"}) {
    if (fs::is_directory(root)) remove_leftovers(root);
  }
  for (const auto& [folder, content] : read_store(frames)) remove_leftovers(frames / folder);
  StoreWriter writer(frames, step);
  writer.apply(changes);
  return writer.result;
}

StoreResult undo_store(const fs::path& frames) {
  for (const fs::path& root : {frames, frames / "aside"}) {
    if (fs::is_directory(root)) remove_leftovers(root);
  }
  const std::function<void()> nothing = [] {};
  StoreWriter writer(frames, nothing);
  writer.apply({});
  std::error_code code;
  fs::remove(frames / "aside", code);  // where they are empty
  fs::remove(frames, code);
  return writer.result;
}

}  // namespace trunnion

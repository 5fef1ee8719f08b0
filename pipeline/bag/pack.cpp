#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "config/record_json.h"
#include "core/copy_file.h"
#include "core/date.h"
#include "core/error.h"
#include "core/files.h"
#include "pipeline/bag/bag.h"
#include "pipeline/build_facts.h"
#include "pipeline/journal.h"
#include "pipeline/last_run.h"
#include "pipeline/workspace_lock.h"

namespace trunnion::bag {
namespace {

using Json = nlohmann::ordered_json;

struct Item {
  fs::path from;
  std::string to;    // in data/
  std::string hash;  // by the journal; empty: not recorded there
};

void add_if_there(std::vector<Item>& items, const fs::path& file, const std::string& to) {
  std::error_code code;
  if (fs::is_regular_file(file, code)) items.push_back({file, to, ""});
}

std::vector<Item> items_of(const Workspace& workspace, const std::vector<RecordedOutput>& outputs) {
  std::vector<Item> items;
  for (const RecordedOutput& output : outputs) {
    if (output.path.starts_with("prepared/")) {
      items.push_back({workspace.root / output.path, output.path, output.hash});
    }
  }
  for (const char* name : {"specimen.toml", "review.toml", "series.csv"}) {
    add_if_there(items, workspace.root / name, name);
  }
  const Specimen& specimen = workspace.file.specimen;
  if (specimen.capture_table) {
    add_if_there(items, workspace.root / *specimen.capture_table, "captures.csv");
  }
  add_if_there(items, specimen.setup_file, "setup/" + specimen.setup_file.filename().string());
  const fs::path record = record_path(specimen.setup_file);
  add_if_there(items, record, "setup/" + record.filename().string());
  if (!workspace.file.collection_file.empty()) {
    add_if_there(items, workspace.file.collection_file, "collection.toml");
  }
  return items;
}

std::string provenance(const Workspace& workspace, const LastRun& last) {
  Json json{{"format", "trunnion provenance"},
            {"version", 1},
            {"title", workspace.file.specimen.title},
            {"specimen", specimen_record_json(workspace.file.specimen.record)},
            {"verdict", last.sentence},
            {"setup", workspace.setup.name},
            {"versions", Json::object()},
            {"settings", Json::object()},
            {"hashes", Json::object()}};
  for (const auto& [name, version] : versions()) json["versions"][name] = version;
  // With what a collection gives: specimen.toml alone would not make the same set again.
  for (const auto& [table, text] : workspace.file.settings.written) {
    json["settings"][table] = text.empty() ? "defaults" : text;
  }
  json["hashes"]["specimen.toml"] = workspace.specimen_hash;
  json["hashes"]["setup"] = workspace.setup_hash;
  if (workspace.record) json["hashes"]["calibration"] = workspace.record->hash;
  return json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

// One element a line (RFC 8493, 2.2.2): line breaks within a value would end it.
std::string one_line(std::string text) {
  std::replace_if(
      text.begin(), text.end(), [](char c) { return c == '\n' || c == '\r' || c == '\t'; }, ' ');
  return text;
}

std::string bag_info(const Workspace& workspace, const Package& package) {
  const SpecimenRecord& record = workspace.file.specimen.record;
  std::string text;
  const auto line = [&text](const char* label, const std::string& value) {
    if (!value.empty()) text += fmt::format("{}: {}\n", label, one_line(value));
  };
  line("Source-Organization", record.institution);
  line("External-Identifier", record.catalogue_number);
  line("External-Description",
       record.taxon.empty() ? workspace.file.specimen.title
                            : fmt::format("{} ({})", record.taxon, workspace.file.specimen.title));
  line("Licence", record.licence);
  line("Rights", record.rights);
  if (const auto date = source_date()) line("Bagging-Date", iso_date(*date).substr(0, 10));
  line("Payload-Oxum", fmt::format("{}.{}", package.bytes, package.files));
  line("Bag-Software-Agent", "trunnion " TRUNNION_VERSION);
  return text;
}

void refuse_unless_ready(const Workspace& workspace, const std::optional<LastRun>& last) {
  const std::string root = workspace.root.string();
  if (!last || !last->finished) {
    throw data_error(
        fmt::format("{}: is not prepared; run trunnion prepare {} first.", root, root));
  }
  if (!is_current(workspace, *last)) {
    throw data_error(fmt::format(
        "{}: something was changed since it was prepared; run trunnion prepare {} first.", root,
        root));
  }
}

}  // namespace

Package pack(const Workspace& workspace, const fs::path& folder) {
  std::error_code code;
  if (fs::exists(fs::symlink_status(folder, code))) {
    throw usage_error(fmt::format("{}: exists already; give a folder that is still to be made.",
                                  folder.string()));
  }
  const WorkspaceLock lock(workspace);
  const std::optional<LastRun> last = read_last_run(workspace.root);
  refuse_unless_ready(workspace, last);
  const auto outputs = Journal(workspace.journal(), Journal::IfDamaged::refuse).outputs();
  PendingFolder pending(folder);
  Package package{folder};
  std::map<std::string, std::string> payload;
  const auto count = [&](const std::string& path) {
    const fs::path file = pending.temporary() / path;
    payload[path] = digest_of(file, "sha512");
    ++package.files;
    package.bytes += fs::file_size(file);
  };
  for (const Item& item : items_of(workspace, outputs)) {
    const fs::path to = pending.temporary() / "data" / item.to;
    fs::create_directories(to.parent_path());
    const CopiedFile copied = copy_file_checked(item.from, to);
    if (!item.hash.empty() && copied.hash != item.hash) {
      throw data_error(
          fmt::format("{}: is not what prepare wrote; run trunnion prepare {} --full-check.",
                      item.from.string(), workspace.root.string()));
    }
    count("data/" + item.to);
  }
  write_file(pending.temporary() / kProvenance, provenance(workspace, *last));
  count(kProvenance);
  std::map<std::string, std::string> tags;
  const auto tag = [&](const std::string& name, const std::string& text) {
    write_file(pending.temporary() / name, text);
    tags[name] = digest_of(pending.temporary() / name, "sha512");
  };
  tag("bagit.txt", kDeclaration);
  tag("bag-info.txt", bag_info(workspace, package));
  tag("manifest-sha512.txt", manifest_text(payload));
  write_file(pending.temporary() / "tagmanifest-sha512.txt", manifest_text(tags));
  pending.commit();
  return package;
}

}  // namespace trunnion::bag

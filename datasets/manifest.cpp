#include "datasets/manifest.h"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"

namespace trunnion::demo {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kFile = ".trunnion-demo.json";

}  // namespace

std::string made_with(const DemoOptions& o) {
  const Faults& f = o.faults;
  const Json json{{"rings", o.rings},
                  {"stations", o.stations},
                  {"width_px", o.width_px},
                  {"height_px", o.height_px},
                  {"backdrop", static_cast<int>(o.backdrop)},
                  {"bits", o.bits},
                  {"type", static_cast<int>(o.type)},
                  {"habit", static_cast<int>(o.habit)},
                  {"seed", o.seed},
                  {"boards", o.boards},
                  {"clean", o.clean},
                  {"exposure", f.exposure},
                  {"drift", f.drift},
                  {"missing", f.missing.value_or(-1)},
                  {"slip", f.slip.value_or(-1)},
                  {"reversed", f.reversed},
                  {"blur_band", f.blur_band.value_or(-1.0)},
                  {"blurred", f.blurred.value_or(-1)},
                  {"dim", f.dim.value_or(-1)},
                  {"covered", f.covered.value_or(-1)},
                  {"trails", f.trails},
                  {"no_dust", f.no_dust},
                  {"stage_edge", f.stage_edge},
                  {"program", hash_file("/proc/self/exe")}};
  return json.dump();
}

Manifest read_manifest(const fs::path& folder) {
  Manifest manifest;
  if (!fs::exists(folder)) return manifest;
  if (!fs::is_directory(folder)) {
    throw data_error(fmt::format("{} is a file; give a folder for the demo set.", folder.string()));
  }
  if (!fs::exists(folder / kFile)) {
    if (fs::is_empty(folder)) return manifest;
    throw data_error(
        fmt::format("{} contains files that are no demo set; give an empty or a new "
                    "folder, so that nothing of yours is overwritten.",
                    folder.string()));
  }
  try {
    const Json json = Json::parse(read_file(folder / kFile));
    manifest.made_with = json.at("made_with");
    manifest.complete = json.at("complete");
    json.at("files").get_to(manifest.files);
    manifest.summary = {json.at("specimen_images"), json.at("board_images"), json.at("true_points"),
                        json.at("dust_spots")};
  } catch (const Json::exception&) {
    return {};  // a damaged list only means that the set is made again
  }
  // A list from elsewhere must not make trunnion touch other folders.
  std::erase_if(manifest.files, [](const auto& entry) {
    const fs::path path(entry.first);
    return path.is_absolute() || path.lexically_normal().begin()->string() == "..";
  });
  return manifest;
}

void write_manifest(const fs::path& folder, const Manifest& manifest) {
  const Json json{{"made_with", manifest.made_with},
                  {"complete", manifest.complete},
                  {"specimen_images", manifest.summary.specimen_images},
                  {"board_images", manifest.summary.board_images},
                  {"true_points", manifest.summary.true_points},
                  {"dust_spots", manifest.summary.dust_spots},
                  {"files", manifest.files}};
  write_file(folder / kFile, json.dump(1) + "\n");
}

bool holds(const fs::path& folder, const Manifest& manifest) {
  return std::all_of(manifest.files.begin(), manifest.files.end(), [&folder](const auto& entry) {
    const fs::path file = folder / entry.first;
    return fs::is_regular_file(file) && hash_file(file) == entry.second;
  });
}

void remove_stale(const fs::path& folder, const Manifest& before, const Manifest& now) {
  for (const auto& [file, hash] : before.files) {
    if (now.files.count(file) == 0) fs::remove(folder / file);
  }
}

}  // namespace trunnion::demo

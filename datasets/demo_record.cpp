#include "datasets/demo_record.h"

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
                  {"frames", o.frames},
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

DemoRecord read_demo_record(const fs::path& folder) {
  DemoRecord record;
  if (!fs::exists(folder)) return record;
  if (!fs::is_directory(folder)) {
    throw data_error(fmt::format("{} is a file; give a folder for the demo set.", folder.string()));
  }
  if (!fs::exists(folder / kFile)) {
    if (fs::is_empty(folder)) return record;
    throw data_error(
        fmt::format("{} contains files that are no demo set; give an empty or a new "
                    "folder, so that nothing of yours is overwritten.",
                    folder.string()));
  }
  try {
    const Json json = Json::parse(read_file(folder / kFile));
    record.made_with = json.at("made_with");
    record.complete = json.at("complete");
    json.at("files").get_to(record.files);
    record.summary = {json.at("specimen_images"), json.at("board_images"), json.at("frames"),
                      json.at("true_points"), json.at("dust_spots")};
  } catch (const Json::exception&) {
    return {};  // a damaged list only means that the set is made again
  }
  // A list from elsewhere must not make trunnion touch other folders.
  std::erase_if(record.files, [](const auto& entry) {
    const fs::path path(entry.first);
    return path.is_absolute() || path.lexically_normal().begin()->string() == "..";
  });
  return record;
}

void write_demo_record(const fs::path& folder, const DemoRecord& record) {
  const Json json{{"made_with", record.made_with},
                  {"complete", record.complete},
                  {"specimen_images", record.summary.specimen_images},
                  {"board_images", record.summary.board_images},
                  {"frames", record.summary.frames},
                  {"true_points", record.summary.true_points},
                  {"dust_spots", record.summary.dust_spots},
                  {"files", record.files}};
  write_file(folder / kFile, json.dump(1) + "\n");
}

bool holds(const fs::path& folder, const DemoRecord& record) {
  return std::all_of(record.files.begin(), record.files.end(), [&folder](const auto& entry) {
    const fs::path file = folder / entry.first;
    return fs::is_regular_file(file) && hash_file(file) == entry.second;
  });
}

void remove_stale(const fs::path& folder, const DemoRecord& before, const DemoRecord& now) {
  for (const auto& [file, hash] : before.files) {
    if (now.files.count(file) == 0) fs::remove(folder / file);
  }
}

}  // namespace trunnion::demo

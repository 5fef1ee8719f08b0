#include "pipeline/empty_stage.h"

#include <fmt/format.h>

#include <filesystem>

#include "core/error.h"
#include "core/image_io.h"
#include "core/metadata.h"
#include "stages/repair/repair.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

fs::path empty_file(const Workspace& workspace) {
  return workspace.root / *workspace.file.specimen.empty_image;
}

const char* kind_of(const ImageInfo& info) {
  return info.channels == 1 ? "grey" : "in colour";
}

Findings compare_profiles(const fs::path& file, const ingest::StationImage& of_the_set) {
  initialise_metadata();
  const std::string own = read_metadata(file).icc;
  const std::string theirs = read_metadata(of_the_set.file).icc;
  if (own == theirs) return {};
  if (own.empty() || theirs.empty()) {
    return {{Severity::doubt, "survey", file.filename().string(),
             fmt::format("the empty-stage image {} colour profile, but {} {}; they are compared as "
                         "if both had the same",
                         own.empty() ? "has no" : "has a", of_the_set.source,
                         own.empty() ? "has one" : "has none"),
             "export both with the same profile"}};
  }
  throw data_error(
      fmt::format("{}: the empty-stage image has another colour profile than {}, so their values "
                  "can't be compared; export it again with the profile of the set, or take "
                  "[backdrop] empty out of specimen.toml.",
                  file.string(), of_the_set.source));
}

}  // namespace

Findings check_empty_stage(const Workspace& workspace, const ingest::StationImage& of_the_set) {
  if (!workspace.file.specimen.empty_image) return {};
  const fs::path file = empty_file(workspace);
  const ImageInfo own = probe_image(file, image_limits(workspace.file.settings.limits));
  const ImageInfo& set = of_the_set.info;
  constexpr const char* kRemedy =
      "export it again as the set's images are, or take [backdrop] empty out of specimen.toml";
  if (own.width_px != set.width_px || own.height_px != set.height_px) {
    throw data_error(fmt::format(
        "{}: the empty-stage image is {} x {} pixels, but the set's images are {} x {}; {}.",
        file.string(), own.width_px, own.height_px, set.width_px, set.height_px, kRemedy));
  }
  if ((own.channels == 1) != (set.channels == 1)) {
    throw data_error(
        fmt::format("{}: the empty-stage image is {}, but the set's images are {}; {}.",
                    file.string(), kind_of(own), kind_of(set), kRemedy));
  }
  return compare_profiles(file, of_the_set);
}

std::optional<survey::EmptyStage> read_empty_stage(const Workspace& workspace) {
  if (!workspace.file.specimen.empty_image) return std::nullopt;
  const Settings& settings = workspace.file.settings;
  return survey::EmptyStage{
      read_image(empty_file(workspace), image_limits(settings.limits)),
      [&settings](const Spot& spot) { return repair::is_repaired(spot, settings.repair); }};
}

}  // namespace trunnion

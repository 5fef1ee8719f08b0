#include "config/settings.h"

#include <fmt/format.h>

#include <algorithm>
#include <set>
#include <stdexcept>

#include "config/collection.h"
#include "config/output_names.h"
#include "config/share.h"
#include "config/specimen_reader.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

MaskSettings mask_from(TomlReader table) {
  MaskSettings mask;
  mask.enabled = table.boolean("enabled", true);
  mask.margin_px = table.number("margin_px", {.min = -200.0, .max = 200.0}, 0.0);
  mask.margin_mm = table.number("margin_mm", {.min = -100.0, .max = 100.0}, 0.0);
  mask.keep_holes = table.boolean("keep_holes", true);
  mask.mount =
      static_cast<MountHandling>(table.choice("mount", {"keep", "below-line", "detect"}, 0));
  mask.mount_line_px = table.number("mount_line_px", {.min = 0.0, .max = 200'000.0}, 0.0);
  if (mask.mount != MountHandling::below_line && table.has("mount_line_px")) {
    table.mistake("mount_line_px",
                  "has an effect only with mount = \"below-line\"; set that or remove this key.");
  }
  if (mask.mount == MountHandling::below_line && !table.has("mount_line_px")) {
    table.mistake("mount_line_px", "is missing; mount = \"below-line\" needs it.");
  }
  return mask;
}

ExposureSettings exposure_from(TomlReader table) {
  ExposureSettings exposure;
  exposure.enabled = table.boolean("enabled", false);
  exposure.level =
      table.number("level_percent", {.min = 100.0 * kLeastExposureLevel, .max = 100.0}, 90.0) /
      100.0;
  exposure.vignetting = table.boolean("vignetting", true);
  const std::string card = table.text("grey_card", "");
  check_inside(table, "grey_card", card);
  if (!card.empty()) exposure.grey_card = card;
  if (exposure.grey_card && !exposure.vignetting) {
    table.mistake("grey_card", "has an effect only with vignetting = true; set that or remove it.");
  }
  exposure.curve =
      static_cast<ToneCurveChoice>(table.choice("curve", {"profile", "srgb", "linear"}, 0));
  return exposure;
}

RefineSettings refine_from(TomlReader table) {
  RefineSettings refine;
  refine.enabled = table.boolean("enabled", true);
  refine.max_features = table.integer("max_features", 100, 100'000, refine.max_features);
  refine.level_megapixels =
      table.number("level_megapixels", {.min = 0.1, .max = 400.0}, refine.level_megapixels);
  refine.min_contrast =
      table.number("min_contrast_percent", {.min = 0.1, .max = 50.0}, 2.0) / 100.0;
  refine.principal_distance = static_cast<FreePrincipalDistance>(
      table.choice("principal_distance", {"auto", "free", "fixed"}, 0));
  return refine;
}

// Control characters have no place in XML, in which the names are written, nor on a terminal.
void check_name(TomlReader& table, std::string_view key, const std::string& name) {
  if (holds_control_character(name)) {
    table.mistake(key, "holds a control character; take it out.");
  }
}

// Two templates may not write one file, nor one a file where the other needs a folder.
void check_apart(TomlReader& table, const OutputSettings& output, const std::string& name) {
  const std::string path = fs::path(name).lexically_normal().string();
  for (const TemplateSettings& other : output.templates) {
    const std::string there = fs::path(other.name).lexically_normal().string();
    if (path == there || path.starts_with(there + "/") || there.starts_with(path + "/")) {
      table.mistake("name", fmt::format("is \"{}\", which falls on \"{}\" of another template; "
                                        "choose another name.",
                                        name, other.name));
    }
  }
}

// A bare word names a template that comes with trunnion, anything else a file of the workspace.
fs::path template_file(TomlReader& table, const fs::path& workspace) {
  const std::string file = table.text("file");
  const bool word = file.find_first_of("./") == std::string::npos;
  if (!word) check_inside(table, "file", file);
  const fs::path path =
      word ? share_folder() / "templates" / (file + ".mustache") : workspace / file;
  std::error_code ignored;
  if (!file.empty() && !fs::is_regular_file(path, ignored)) {
    table.mistake("file", fmt::format("is \"{}\", but {} is no file; name one in the workspace, "
                                      "or \"matrix\", \"views\" or \"document\".",
                                      file, path.string()));
  }
  return path.lexically_normal();
}

TemplateSettings template_from(TomlReader& table, const fs::path& workspace) {
  TemplateSettings settings;
  settings.file = template_file(table, workspace);
  settings.name = table.text("name");
  const fs::path name(settings.name);
  if (table.has("name") && (settings.name.empty() || name.is_absolute() || !name.has_filename() ||
                            settings.name.find("..") != std::string::npos)) {
    table.mistake("name", "must be a file name inside prepared/, such as \"poses.txt\".");
  }
  check_name(table, "name", settings.name);
  if (const std::string_view own = own_output_at(settings.name); !own.empty()) {
    table.mistake("name", fmt::format("is \"{}\", but trunnion itself writes {} in prepared/; "
                                      "choose another name.",
                                      settings.name, own));
  }
  settings.radians = table.choice("angle", {"deg", "rad"}, 0) == 1;
  settings.y_up = table.choice("y_axis", {"down", "up"}, 0) == 1;
  settings.looks_along_z = table.choice("looks_along", {"+z", "-z"}, 0) == 0;
  settings.corner_is_origin = table.choice("pixel_origin", {"centre", "corner"}, 0) == 1;
  const std::vector<std::string> lengths{"um", "mm", "cm", "m"};
  settings.length = lengths[table.choice("length", lengths, 1)];
  const std::vector<std::string> names{"path", "file", "name"};
  settings.image_names = names[table.choice("image_names", names, 0)];
  return settings;
}

OutputSettings output_from(TomlReader table, const fs::path& workspace) {
  OutputSettings output;
  output.type = static_cast<OutputType>(table.choice("type", {"same", "tiff", "png", "jpeg"}, 0));
  output.bits = static_cast<OutputBits>(table.choice("bits", {"same", "8", "16"}, 0));
  output.compress = table.boolean("compress", true);
  output.jpeg_quality = table.integer("jpeg_quality", 50, 100, 97);
  output.mask_suffix = table.text("mask_suffix", "");
  if (output.mask_suffix.find('/') != std::string::npos || output.mask_suffix.size() > 64) {
    table.mistake("mask_suffix", "must be at most 64 characters without a slash.");
  }
  output.alpha =
      static_cast<AlphaMode>(table.choice("alpha", {"none", "alpha", "black-backdrop"}, 0));
  output.sidecar = table.boolean("sidecar", false);
  output.keep_lens_focal_length = table.boolean("keep_lens_focal_length", false);
  output.name_template = table.text("name", "{ring}_{station}");
  if (output.name_template.find("{station}") == std::string::npos ||
      output.name_template.find('/') != std::string::npos) {
    table.mistake("name", "must contain {station} and no slash.");
  }
  check_name(table, "mask_suffix", output.mask_suffix);
  check_name(table, "name", output.name_template);
  output.frame_pattern = table.text("frame", "");
  check_inside(table, "frame", output.frame_pattern);
  if (!output.frame_pattern.empty() &&
      output.frame_pattern.find("{station}") == std::string::npos) {
    table.mistake("frame", "must contain {station} in the place of the station number.");
  }
  if (std::count(output.frame_pattern.begin(), output.frame_pattern.end(), '*') > 2) {
    table.mistake("frame", "may contain at most two *.");
  }
  for (TomlReader& each : table.tables("template")) {
    const TemplateSettings wanted = template_from(each, workspace);
    check_apart(each, output, wanted.name);
    output.templates.push_back(wanted);
  }
  return output;
}

Settings settings_from(TomlReader& file, const fs::path& workspace) {
  Settings settings;
  TomlReader survey = file.table("survey");
  settings.survey.stations = survey.integer("stations", 3, kMostSurveyStations, 8);
  settings.survey.most_stations =
      survey.integer("most_stations", 3, kMostSurveyStations, kMostSurveyStations);
  if (settings.survey.most_stations < settings.survey.stations) {
    survey.mistake("most_stations", "must not be less than stations.");
  }
  TomlReader repair = file.table("repair");
  settings.repair.dust = repair.boolean("dust", true);
  settings.repair.min_contrast_percent =
      repair.number("min_contrast_percent", {.min = 0.5, .max = 50.0}, 3.0);
  settings.mask = mask_from(file.table("mask"));
  settings.exposure = exposure_from(file.table("exposure"));
  TomlReader undistort = file.table("undistort");
  settings.undistort.enabled = undistort.boolean("enabled", true);
  settings.undistort.size =
      static_cast<NewCameraSize>(undistort.choice("size", {"same", "valid", "all"}, 0));
  settings.undistort.centre_principal_point = undistort.boolean("centre_principal_point", true);
  settings.undistort.interpolation =
      static_cast<Interpolation>(undistort.choice("interpolation", {"cubic", "lanczos"}, 0));
  settings.refine = refine_from(file.table("refine"));
  TomlReader hull = file.table("hull");
  settings.hull.enabled = hull.boolean("enabled", false);
  settings.hull.most_triangles =
      hull.integer("most_triangles", 1000, 2'000'000, settings.hull.most_triangles);
  settings.output = output_from(file.table("output"), workspace);
  TomlReader limits = file.table("limits");
  settings.limits.max_megapixels =
      limits.number("max_megapixels", {.min = 0.01, .max = 10'000.0}, 400.0);
  settings.limits.tolerate_truncated = limits.boolean("tolerate_truncated", false);
  settings.limits.tolerate_wrong_extension = limits.boolean("tolerate_wrong_extension", false);
  settings.limits.tolerate_more_pages = limits.boolean("tolerate_more_pages", false);
  for (const char* name : {"survey", "repair", "mask", "exposure", "undistort", "refine", "hull",
                           "output", "limits"}) {
    const TomlReader table = file.table(name);
    settings.written[name] = table.canonical();
    for (const auto& [key, text] : table.canonical_keys()) {
      settings.written_keys[fmt::format("{}.{}", name, key)] = text;
    }
  }
  return settings;
}

constexpr int kSpecimenFormat = 1;  // raised where a reader of the version before would go wrong

SpecimenFile all_from(TomlReader& file, const fs::path& path, const fs::path& setup_beside) {
  file.check_format(kSpecimenFormat);
  SpecimenFile result{
      specimen_from(file, path, setup_beside), settings_from(file, path.parent_path()), {}, {}};
  const std::string& frame = result.settings.output.frame_pattern;
  if (result.specimen.rings.size() > 1 && !frame.empty() &&
      frame.find("{ring}") == std::string::npos) {
    file.table("output").mistake("frame",
                                 "must contain {ring} too, because there are several rings.");
  }
  if (!result.settings.mask.enabled && result.settings.output.alpha != AlphaMode::none) {
    file.table("output").mistake(
        "alpha", "needs masks, but mask.enabled = false; enable masks or set alpha = \"none\".");
  }
  file.finish();
  return result;
}

}  // namespace

std::string Settings::text_of(std::string_view key) const {
  const auto one = written_keys.find(key);
  if (one != written_keys.end()) return one->second;
  const std::string table = std::string(key) + ".";
  std::string text;
  auto each = written_keys.lower_bound(table);
  if (each == written_keys.end() || !each->first.starts_with(table)) {
    throw std::logic_error(fmt::format("There is no setting {}.", key));
  }
  for (; each != written_keys.end() && each->first.starts_with(table); ++each) {
    text += fmt::format("{} = {}\n", each->first, each->second);
  }
  return text;
}

ImageLimits image_limits(const LimitSettings& limits) {
  ImageLimits result;
  result.max_pixels = static_cast<std::int64_t>(limits.max_megapixels * 1e6);
  result.truncated = limits.tolerate_truncated;
  result.wrong_extension = limits.tolerate_wrong_extension;
  result.more_pages = limits.tolerate_more_pages;
  return result;
}

SpecimenFile read_specimen(const fs::path& file) {
  const std::shared_ptr<const Collection> collection = collection_of(file.parent_path());
  if (!collection) {
    TomlReader reader = TomlReader::from_file(file);
    return all_from(reader, file, file);
  }
  const std::string text = read_file(file);
  const std::string workspace = collection->name_of(file.parent_path());
  TomlReader own = TomlReader::from_text(text, file.string());
  TomlReader merged = TomlReader::from_text(text, file.string(), collection->beneath(workspace),
                                            collection->file.string());
  SpecimenFile result = all_from(merged, file, own.has("setup") ? file : collection->file);
  const SpecimenRecord own_record = record_from(own.table("record"));
  const RecordRow* row = collection->row_of(workspace, own_record.catalogue_number);
  if (row != nullptr) {
    result.specimen.record = filled(filled(own_record, row->record), result.specimen.record);
  }
  result.collection_file = collection->file;
  result.inherited = collection->given_text(workspace);
  return result;
}

SpecimenFile parse_specimen(std::string_view text, const fs::path& file) {
  TomlReader reader = TomlReader::from_text(text, file.string());
  return all_from(reader, file, file);
}

}  // namespace trunnion

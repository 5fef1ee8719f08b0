#include "config/settings.h"

#include <fmt/format.h>

#include <algorithm>
#include <set>
#include <stdexcept>

#include "config/output_names.h"
#include "config/share.h"
#include "config/toml_reader.h"
#include "core/angle.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

// Inputs named in specimen.toml must lie inside the workspace: a file from a stranger must not
// make trunnion read elsewhere.
void check_inside(TomlReader& table, std::string_view key, const std::string& value) {
  if (value.empty()) return;
  const fs::path path(value);
  bool leaves = path.is_absolute();
  for (const fs::path& part : path.lexically_normal()) leaves = leaves || part == "..";
  if (leaves) {
    table.mistake(key, fmt::format("is \"{}\", which is outside the workspace; move or link the "
                                   "files into it and give a relative path.",
                                   value));
  }
}

Ring ring_from(TomlReader& table, bool captured_by_table) {
  Ring ring;
  ring.name = table.text("name");
  if (table.has("name") &&
      (ring.name.empty() || ring.name.size() > 64 ||
       ring.name.find_first_not_of(
           "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") !=
           std::string::npos)) {
    table.mistake("name",
                  "must be 1 to 64 letters, digits, - or _, because it is used in file names.");
  }
  ring.elevation = radians(table.number("elevation_deg", {.min = -85.0, .max = 85.0}, 0.0));
  ring.tilt = radians(table.number("tilt_deg", {.min = -85.0, .max = 85.0}, 0.0));
  ring.reference_mm = table.optional_number("reference_mm", {.min = -1000.0, .max = 1000.0});
  ring.stations = table.integer("stations", 1, 100'000);
  ring.step = radians(table.number("step_deg", {.min = 0.0, .max = 180.0, .open_min = true},
                                   ring.stations > 1 ? 360.0 / ring.stations : 180.0));
  ring.start = radians(table.number("start_deg", {.min = -360.0, .max = 360.0}, 0.0));
  ring.turning = table.choice("turning", {"counter-clockwise", "clockwise"}, 0) == 0
                     ? Turning::counter_clockwise
                     : Turning::clockwise;
  ring.first_station = table.integer("first_station", 0, 1'000'000, 0);
  ring.frames = table.integer("frames", 0, 65'535, 0);
  ring.pattern =
      table.text("pattern", captured_by_table ? std::optional<std::string>("") : std::nullopt);
  if (!ring.pattern.empty() && ring.pattern.find("{station}") == std::string::npos) {
    table.mistake("pattern", "must contain {station} in the place of the station number.");
  }
  check_inside(table, "pattern", ring.pattern);
  if (captured_by_table && !ring.pattern.empty()) {
    table.mistake("pattern", "and captures.table exclude each other; remove one.");
  }
  return ring;
}

NominalGeometry geometry_from(TomlReader table) {
  NominalGeometry geometry;
  geometry.distance_mm = table.optional_number("distance_mm", kPositive);
  geometry.offset_x_mm = table.number("offset_x_mm", {.min = -1000, .max = 1000}, 0.0);
  geometry.offset_y_mm = table.number("offset_y_mm", {.min = -1000, .max = 1000}, 0.0);
  const Range percent{.min = 0.0, .max = 100.0, .open_min = true};
  geometry.sigma_distance_fraction = table.number("sigma_distance_percent", percent, 10.0) / 100.0;
  geometry.sigma_offset_fraction = table.number("sigma_offset_percent", percent, 2.0) / 100.0;
  const Range angle{.min = 0.0, .max = 90.0, .open_min = true};
  geometry.sigma_elevation = radians(table.number("sigma_elevation_deg", angle, 5.0));
  geometry.sigma_angle = radians(table.number("sigma_angle_deg", angle, 0.1));
  geometry.sigma_reference_mm =
      table.number("sigma_reference_mm", {.min = 0.0, .max = 100.0, .open_min = true}, 0.02);
  return geometry;
}

NominalTilt tilt_from(TomlReader table) {
  NominalTilt tilt;
  tilt.axis.kind =
      table.choice("carries", {"specimen", "stage"}, 0) == 0 ? TiltKind::specimen : TiltKind::stage;
  tilt.axis.azimuth = radians(table.number("azimuth_deg", {.min = -360.0, .max = 360.0}, 90.0));
  // Steeper, and tilting would hardly differ from turning.
  tilt.axis.inclination =
      radians(table.number("inclination_deg", {.min = -60.0, .max = 60.0}, 0.0));
  const Range length{.min = -1000.0, .max = 1000.0};
  tilt.axis.across_mm = table.number("across_mm", length, 0.0);
  tilt.axis.height_mm = table.number("height_mm", length, 0.0);
  const Range angle{.min = 0.0, .max = 90.0, .open_min = true};
  tilt.sigma_tilt = radians(table.number("sigma_deg", angle, 1.0));
  tilt.sigma_direction = radians(table.number("sigma_direction_deg", angle, 2.0));
  tilt.sigma_position_mm = table.number("sigma_position_mm", kPositive, 1.0);
  return tilt;
}

// `relative` from the folder of `file`, as the system resolves it: from a linked workspace ".."
// leads to where the workspace really is. Short where that makes no difference.
fs::path beside(const fs::path& file, const fs::path& relative) {
  const fs::path path = file.parent_path() / relative;
  const fs::path lexical = path.lexically_normal();
  std::error_code code;
  const fs::path real = fs::weakly_canonical(path, code);
  return code || real == fs::weakly_canonical(lexical, code) ? lexical : real;
}

Specimen specimen_from(TomlReader& file, const fs::path& path) {
  Specimen specimen;
  specimen.title = file.text("title", path.parent_path().filename().string());
  const std::string setup = file.text("setup");
  specimen.setup_file = beside(path, setup);

  TomlReader backdrop = file.table("backdrop");
  specimen.backdrop = static_cast<BackdropKind>(
      backdrop.choice("kind", {"auto", "black", "white", "grey", "colour"}, 0));
  if (backdrop.has("empty")) {
    specimen.empty_image = backdrop.text("empty");
    check_inside(backdrop, "empty", *specimen.empty_image);
  }
  TomlReader captures = file.table("captures");
  if (captures.has("table")) {
    specimen.capture_table = captures.text("table");
    check_inside(captures, "table", *specimen.capture_table);
  }
  std::set<std::string> names;
  for (TomlReader& table : file.tables("ring")) {
    specimen.rings.push_back(ring_from(table, specimen.capture_table.has_value()));
    if (!names.insert(specimen.rings.back().name).second) {
      table.mistake("name", "is used by another ring too; give each ring its own name.");
    }
  }
  if (specimen.rings.empty()) file.mistake("ring", "is missing; describe at least one [[ring]].");
  specimen.geometry = geometry_from(file.table("geometry"));
  specimen.tilt = tilt_from(file.table("tilt"));
  const bool tilts = std::any_of(specimen.rings.begin(), specimen.rings.end(),
                                 [](const Ring& ring) { return ring.tilt != 0.0; });
  if (file.has("tilt") && !tilts && !specimen.capture_table) {
    file.mistake("tilt",
                 "describes a second axis, but no [[ring]] has tilt_deg; give the tilt of the "
                 "tilted rings, or remove the table.");
  }
  return specimen;
}

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

SpecimenFile all_from(TomlReader& file, const fs::path& path) {
  file.check_format(kSpecimenFormat);
  SpecimenFile result{specimen_from(file, path), settings_from(file, path.parent_path())};
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
  TomlReader reader = TomlReader::from_file(file);
  return all_from(reader, file);
}

SpecimenFile parse_specimen(std::string_view text, const fs::path& file) {
  TomlReader reader = TomlReader::from_text(text, file.string());
  return all_from(reader, file);
}

}  // namespace trunnion

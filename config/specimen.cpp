#include "config/specimen.h"

#include <fmt/format.h>

#include <set>

#include "config/specimen_reader.h"
#include "config/specimen_record.h"
#include "core/files.h"

namespace trunnion {

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

namespace {

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

}  // namespace

Specimen specimen_from(TomlReader& file, const fs::path& path, const fs::path& setup_beside) {
  Specimen specimen;
  specimen.title = file.text("title", path.parent_path().filename().string());
  const std::string setup = file.text("setup");
  specimen.setup_file = beside(setup_beside, setup);

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
  specimen.record = record_from(file.table("record"));
  const bool tilts = std::any_of(specimen.rings.begin(), specimen.rings.end(),
                                 [](const Ring& ring) { return ring.tilt != 0.0; });
  if (file.has("tilt") && !tilts && !specimen.capture_table) {
    file.mistake("tilt",
                 "describes a second axis, but no [[ring]] has tilt_deg; give the tilt of the "
                 "tilted rings, or remove the table.");
  }
  return specimen;
}

}  // namespace trunnion

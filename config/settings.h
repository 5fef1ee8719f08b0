// How the set is prepared: the optional tables of specimen.toml after what was shot. There are few
// settings, each a physical quantity; the defaults suit every backdrop and size.
//
//   [survey]   stations = 8, most_stations = 24
//   [repair]   dust = true
//   [mask]     margin_px = 0.0, keep_holes = true, mount = "keep", ...
//   [exposure] enabled = false, level_percent = 90, vignetting = true, curve = "profile"
//   [undistort] size = "same", centre_principal_point = true, interpolation = "cubic"
//   [refine]   enabled = true, principal_distance = "auto", max_features = 4000, ...
//   [hull]     enabled = false, most_triangles = 1000000
//   [output]   type = "same", bits = "same", compress = true, mask_suffix = "", ...
//   [[output.template]] file = "matrix", name = "poses.txt", angle = "deg", y_axis = "down",
//              looks_along = "+z", pixel_origin = "centre", length = "mm", image_names = "path"
//   [limits]   max_megapixels = 400
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "config/specimen.h"
#include "core/image_io.h"

namespace trunnion {

// What the search for dust remembers; more stations show neighbours with the same pattern.
inline constexpr int kMostSurveyStations = 24;

struct SurveySettings {
  int stations = 8;  // examined first, evenly spread; enough for a backdrop and its noise
  int most_stations = kMostSurveyStations;  // examined where doubt remains (stages/survey/doubt.h)
};

struct RepairSettings {
  bool dust = true;
  double min_contrast_percent = 3.0;  // fainter spots do not disturb feature matching
};

enum class MountHandling { keep, below_line, detect };

struct MaskSettings {
  bool enabled = true;
  double margin_px = 0.0;  // grows (positive) or shrinks (negative) the result
  double margin_mm = 0.0;  // the same in mm at the plane of focus
  bool keep_holes = true;  // true holes (a loop of antenna) stay open; glints never do
  MountHandling mount = MountHandling::keep;
  double mount_line_px = 0.0;  // for below_line: row of the fused image, upright, from the top
};

enum class ToneCurveChoice { profile, srgb, linear };

// Less than this, and too few codes would be left to undo it (stages/exposure/exposure.h).
inline constexpr double kLeastExposureLevel = 0.4;

struct ExposureSettings {
  bool enabled = false;
  double level = 0.9;      // of the set's exposure: a station darker by as much clips nothing
  bool vignetting = true;  // evened out where grey_card or [backdrop] empty shows it
  std::optional<std::string> grey_card;  // relative to the workspace
  ToneCurveChoice curve = ToneCurveChoice::profile;
};

enum class NewCameraSize { same, valid, all };
enum class Interpolation { cubic, lanczos };

struct UndistortSettings {
  bool enabled = true;
  NewCameraSize size = NewCameraSize::same;
  bool centre_principal_point = true;  // many readers know no principal point
  Interpolation interpolation = Interpolation::cubic;
};

enum class FreePrincipalDistance { automatic, yes, no };

struct RefineSettings {
  bool enabled = true;
  int max_features = 4000;        // an image; more add time, not accuracy
  double level_megapixels = 2.0;  // size of the pyramid level that is searched for features
  double min_contrast = 0.02;     // of a feature, relative to full scale; noise lies below
  // automatic: adjusted where the lens is not calibrated
  FreePrincipalDistance principal_distance = FreePrincipalDistance::automatic;
};

struct HullSettings {
  bool enabled = false;  // not yet exact enough for dense hair, and its intervals are untested
  int most_triangles = 1'000'000;  // of hull.glb and hull.ply
};

enum class OutputType { same, tiff, png, jpeg };
enum class OutputBits { same, eight, sixteen };
enum class AlphaMode { none, alpha, black_backdrop };

// A text format of the user's own, written from a mustache template (stages/exports/exports.h).
struct TemplateSettings {
  std::filesystem::path file;  // absolute: in the workspace, or one that comes with trunnion
  std::string name;            // file written in prepared/; with {name} one a view
  bool radians = false;
  bool y_up = false;                 // camera frame: y up instead of down
  bool looks_along_z = true;         // camera frame: looking along +z instead of -z
  bool corner_is_origin = false;     // pixel (0, 0) is the corner of the top-left pixel
  std::string length = "mm";         // "um", "mm", "cm" or "m"
  std::string image_names = "path";  // "path" (from prepared/), "file" or "name" (no extension)
};

struct OutputSettings {
  OutputType type = OutputType::same;
  OutputBits bits = OutputBits::same;
  bool compress = true;
  int jpeg_quality = 97;
  std::string mask_suffix;  // masks/NAME{suffix}.png
  AlphaMode alpha = AlphaMode::none;
  bool sidecar = false;  // an XMP sidecar beside each image, besides the embedded packet
  bool keep_lens_focal_length = false;  // FocalLength holds the lens's own value
  std::string name_template = "{ring}_{station}";
  // A single frame of each series, for metadata that the fused image lacks: a path with {station}
  // and {ring}; * stands for any characters, then the first match is read and all are counted.
  std::string frame_pattern;
  std::vector<TemplateSettings> templates;
};

struct LimitSettings {
  double max_megapixels = 400.0;
  // Damaged files that are used nevertheless, each with a doubt that names it.
  bool tolerate_truncated = false;        // TIFF in strips; what is missing is no specimen
  bool tolerate_wrong_extension = false;  // the content decides
  bool tolerate_more_pages = false;       // the first page is used
};

[[nodiscard]] ImageLimits image_limits(const LimitSettings& limits);

struct Settings {
  SurveySettings survey;
  RepairSettings repair;
  MaskSettings mask;
  ExposureSettings exposure;
  UndistortSettings undistort;
  RefineSettings refine;
  HullSettings hull;
  OutputSettings output;
  LimitSettings limits;
  // Canonical text of each table as written ("mask": ...), for the report.
  std::map<std::string, std::string> written;
  // The same of every key ("mask.margin_px": ...), empty where it takes its default: what
  // fingerprints are made of.
  std::map<std::string, std::string, std::less<>> written_keys;

  // As written: one key ("mask.margin_px") or every key of a table ("mask"). Throws
  // std::logic_error where there is no such setting, which is a mistake in the program.
  [[nodiscard]] std::string text_of(std::string_view key) const;
};

struct SpecimenFile {
  Specimen specimen;
  Settings settings;
  std::filesystem::path collection_file;  // collection.toml that it belongs to; empty without one
  std::string inherited;  // canonical text of what that gives it, the record's table left out
};

// Reads specimen.toml, filled from the collection.toml above it, if there is one (collection.h), so
// that every command sees the same; paths in it are taken relative to its folder. Throws one data
// error that names every mistake with its line and remedy.
SpecimenFile read_specimen(const std::filesystem::path& file);
// The text alone, without a collection.
SpecimenFile parse_specimen(std::string_view text, const std::filesystem::path& file);

}  // namespace trunnion

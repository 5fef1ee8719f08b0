#include "pipeline/stage_boards.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <sstream>

#include "core/angle.h"
#include "core/csv.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

double number_from(const std::string& text, const std::string& where) {
  try {
    std::size_t used = 0;
    const double value = std::stod(text, &used);
    if (text.find_first_not_of(" \r\t", used) == std::string::npos) return value;
  } catch (const std::exception&) {
    // falls through to the one message
  }
  throw usage_error(fmt::format("{}: \"{}\" is not a number of degrees.", where, text));
}

std::vector<std::string> split(const std::string& text, char separator) {
  std::vector<std::string> parts;
  std::istringstream stream(text);
  for (std::string part; std::getline(stream, part, separator);) parts.push_back(part);
  return parts;
}

// file,ring,angle_deg,tilt_deg or less from the right, or file,angle_deg; with a header line.
std::map<std::string, StageImage> read_table(const fs::path& file) {
  std::map<std::string, StageImage> given;
  const auto rows = parse_csv(read_file(file), file.string());
  for (std::size_t i = 1; i < rows.size(); ++i) {
    const std::vector<std::string>& cells = rows[i];
    const std::string where = fmt::format("{}, row {}", file.string(), i + 1);
    if (cells.size() < 2 || cells.size() > 4) {
      throw data_error(where +
                       ": needs file,angle_deg or file,ring,angle_deg or "
                       "file,ring,angle_deg,tilt_deg.");
    }
    StageImage& one = given[fs::path(cells[0]).filename().string()];
    one.ring = cells.size() > 2 ? cells[1] : "";
    one.angle = radians(number_from(cells.size() > 2 ? cells[2] : cells[1], where));
    if (cells.size() == 4) one.tilt = radians(number_from(cells[3], where));
  }
  return given;
}

}  // namespace

// --angles: a table, "FIRST:STEP", or one number an image.
std::vector<StageImage> stage_images(const std::vector<fs::path>& files,
                                     const StageOptions& options) {
  std::vector<StageImage> given;
  if (fs::is_regular_file(options.angles)) {
    const auto table = read_table(options.angles);
    for (const fs::path& file : files) {
      const auto entry = table.find(file.filename().string());
      if (entry == table.end()) {
        throw data_error(fmt::format(
            "{} has no line in {}; add its stage angle or remove the image from --images.",
            file.string(), options.angles));
      }
      given.push_back(entry->second);
    }
  } else if (const auto range = split(options.angles, ':'); range.size() == 2) {
    const double first = number_from(range[0], "--angles");
    const double step = number_from(range[1], "--angles");
    for (std::size_t i = 0; i < files.size(); ++i) {
      given.push_back({"", radians(first + step * static_cast<double>(i))});
    }
  } else {
    const auto list = split(options.angles, ',');
    if (list.size() != files.size()) {
      throw usage_error(fmt::format(
          "--angles has {} angles for {} images; give one per image, FIRST:STEP, or a table file.",
          list.size(), files.size()));
    }
    for (const std::string& item : list) {
      given.push_back({"", radians(number_from(item, "--angles"))});
    }
  }
  if (options.turning == "clockwise") {
    for (StageImage& one : given) one.angle = -one.angle;
  }
  return given;
}

namespace {

// The ring of an image, added where it is new.
std::size_t ring_of(const std::string& name, const StageImage& given, const StageOptions& options,
                    calibrate_axis::AxisRequest& request) {
  const auto known = std::find(request.rings.begin(), request.rings.end(), given.ring);
  const auto ring = static_cast<std::size_t>(known - request.rings.begin());
  if (known == request.rings.end()) {
    request.rings.push_back(given.ring);
    request.elevations.push_back(radians(options.elevation_deg));
    if (given.tilt) request.tilts.push_back(*given.tilt);
  }
  if (given.tilt && (ring >= request.tilts.size() || request.tilts[ring] != *given.tilt)) {
    throw data_error(fmt::format(
        "{}: ring \"{}\" has more than one tilt in {}; give each tilt a ring of its own.", name,
        given.ring, options.angles));
  }
  return ring;
}

}  // namespace

void add_sightings(const std::vector<BoardFile>& files, const std::vector<StageImage>& given,
                   const StageOptions& options, calibrate_axis::AxisRequest& request,
                   Findings& findings) {
  for (std::size_t i = 0; i < files.size(); ++i) {
    const BoardFile& file = files[i];
    const std::string name = file.file.filename().string();
    if (file.width_px != request.camera.width_px || file.height_px != request.camera.height_px) {
      throw data_error(
          fmt::format("{} is {} x {} px, but the setup's camera is {} x {} px; use "
                      "images of this setup.",
                      file.file.string(), file.width_px, file.height_px, request.camera.width_px,
                      request.camera.height_px));
    }
    const BoardView& view = file.view;
    if (!view.found) {
      findings.push_back({Severity::doubt, "calibrate axis", name,
                          "No board was found: " + view.reason + "; the image is left out.",
                          "Check --board, --kind, focus and light."});
      continue;
    }
    const std::size_t ring = ring_of(name, given[i], options, request);
    std::optional<BoardPart> part;
    if (!view.oriented) part = BoardPart{view.columns, view.rows, view.first_dark};
    request.sightings.push_back({name, ring, given[i].angle, view.corners, part});
  }
  // If all tilts are zero there is no second axis.
  if (std::all_of(request.tilts.begin(), request.tilts.end(), [](double t) { return t == 0.0; })) {
    request.tilts.clear();
  } else if (request.tilts.size() != request.rings.size()) {
    throw data_error(fmt::format(
        "{}: some lines give tilt_deg and others do not; give it in all lines.", options.angles));
  }
  request.tilt_kind = options.carries == "stage" ? TiltKind::stage : TiltKind::specimen;
  request.tilt_azimuth = radians(options.tilt_azimuth_deg);
  if (request.sightings.empty()) {
    throw data_error(fmt::format(
        "The board was found in none of the images ({}: {}); check --board, --kind and the images.",
        files.front().file.filename().string(), files.front().view.reason));
  }
}

void add_stage_options(CLI::App& command, StageOptions& options) {
  command
      .add_option("--angles", options.angles,
                  "Stage angles in degrees: a table (file,ring,angle_deg[,tilt_deg]), FIRST:STEP, "
                  "or one number per image in the order of their names")
      ->required();
  command
      .add_option("--elevation", options.elevation_deg,
                  "Elevation of the camera above the stage plane, degrees, approximate")
      ->check(CLI::Range(-85.0, 85.0))
      ->capture_default_str();
  command
      .add_option("--sigma-angle", options.sigma_angle_deg,
                  "Standard deviation of a stage angle (encoder, backlash), degrees")
      ->check(CLI::Range(1e-5, 10.0))
      ->capture_default_str();
  command
      .add_option("--turning", options.turning,
                  "Direction in which the stage turns, seen from above")
      ->check(CLI::IsMember({"counter-clockwise", "clockwise"}))
      ->capture_default_str();
  command
      .add_option("--tilt-carries", options.carries,
                  "What the second axis tilts, if the table gives tilts: the specimen on the "
                  "turning stage, or the whole stage")
      ->check(CLI::IsMember({"specimen", "stage"}))
      ->capture_default_str();
  command
      .add_option("--tilt-azimuth", options.tilt_azimuth_deg,
                  "Direction of the second axis at stage angle 0, degrees from the camera's "
                  "azimuth, approximate; it fixes the sign of the tilt")
      ->check(CLI::Range(-360.0, 360.0))
      ->capture_default_str();
  command
      .add_option("--reference-mm", options.reference_mm,
                  "Rail position of the boards' reference slice, mm, as in a shot list; default 0")
      ->check(CLI::Range(-1000.0, 1000.0));
}

}  // namespace trunnion

// trunnion calibrate axis SETUP --images GLOB --angles ...: the rotation axis of a setup from
// images of a checkerboard fixed on the stage at known stage angles.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <memory>
#include <optional>
#include <sstream>

#include "config/calibration_record.h"
#include "config/setup.h"
#include "core/angle.h"
#include "core/csv.h"
#include "core/date.h"
#include "core/error.h"
#include "core/files.h"
#include "core/finding_text.h"
#include "pipeline/board_images.h"
#include "pipeline/command_line.h"
#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

struct AxisCommand {
  std::string setup;
  std::vector<std::string> images;
  std::string angles;
  std::string board = "9x6";
  double square_mm = 0;
  double elevation_deg = 0;
  double sigma_angle_deg = 0.05;
  std::string turning = "counter-clockwise";
  std::string carries = "specimen";
  double tilt_azimuth_deg = 90;
  std::optional<double> reference_mm;
};

// What is known of one image.
struct Given {
  std::string ring;
  double angle = 0;                           // rad
  std::optional<double> tilt = std::nullopt;  // rad
};

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
std::map<std::string, Given> read_table(const fs::path& file) {
  std::map<std::string, Given> given;
  const auto rows = parse_csv(read_file(file), file.string());
  for (std::size_t i = 1; i < rows.size(); ++i) {
    const std::vector<std::string>& cells = rows[i];
    const std::string where = fmt::format("{}, row {}", file.string(), i + 1);
    if (cells.size() < 2 || cells.size() > 4) {
      throw data_error(where +
                       ": needs file,angle_deg or file,ring,angle_deg or "
                       "file,ring,angle_deg,tilt_deg.");
    }
    Given& one = given[fs::path(cells[0]).filename().string()];
    one.ring = cells.size() > 2 ? cells[1] : "";
    one.angle = radians(number_from(cells.size() > 2 ? cells[2] : cells[1], where));
    if (cells.size() == 4) one.tilt = radians(number_from(cells[3], where));
  }
  return given;
}

// --angles: a table, "FIRST:STEP", or one number an image.
std::vector<Given> angles_of(const std::vector<fs::path>& files, const AxisCommand& options) {
  std::vector<Given> given;
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
    for (Given& one : given) one.angle = -one.angle;
  }
  return given;
}

calibrate_axis::AxisRequest request_of(const Setup& setup, const CalibrationRecord* record,
                                       const std::vector<BoardFile>& files,
                                       const std::vector<Given>& given, const BoardPattern& pattern,
                                       const AxisCommand& options, Findings& findings) {
  calibrate_axis::AxisRequest request;
  request.pattern = pattern;
  if (record != nullptr && record->lens) {
    request.camera = record->lens->camera;
    request.camera_covariance = record->lens->covariance;
  } else {
    Setup measured = setup;
    if (record != nullptr && record->scale) {
      measured.measured_magnification = measured_magnification(*record);
    }
    request.camera = measured.nominal_camera();
    findings.push_back(
        {Severity::doubt, "calibrate axis", "",
         "The lens is not calibrated; the axis was computed with nominal interior orientation.",
         "Run trunnion calibrate lens first, then calibrate the axis again."});
  }
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
    if (!file.view.found || !file.view.oriented) {
      findings.push_back(
          {Severity::doubt, "calibrate axis", name,
           file.view.found ? "The board's numbering is not unique here (part of it is hidden, or "
                             "columns + rows is even); the image is left out."
                           : "No board was found: " + file.view.reason + ".",
           "Show the whole board; use one with an odd and an even number of corners."});
      continue;
    }
    const auto known = std::find(request.rings.begin(), request.rings.end(), given[i].ring);
    const auto ring = static_cast<std::size_t>(known - request.rings.begin());
    if (known == request.rings.end()) {
      request.rings.push_back(given[i].ring);
      request.elevations.push_back(radians(options.elevation_deg));
      if (given[i].tilt) request.tilts.push_back(*given[i].tilt);
    }
    if (given[i].tilt && (ring >= request.tilts.size() || request.tilts[ring] != *given[i].tilt)) {
      throw data_error(fmt::format(
          "{}: ring \"{}\" has more than one tilt in {}; give each tilt a ring of its own.", name,
          given[i].ring, options.angles));
    }
    request.sightings.push_back({name, ring, given[i].angle, file.view.corners});
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
    throw data_error("The board was found in none of the images; check --board and the images.");
  }
  return request;
}

Json to_json(const calibrate_axis::AxisResult& result, const calibrate_axis::AxisRequest& request) {
  Json json{{"accepted", result.accepted},
            {"fault", name_of(result.fault)},
            {"fault_image", result.fault_station},
            {"verdict", result.sentence},
            {"average_mean_reprojection_error_px", result.mean_error_px},
            {"rms_px", result.rms_px},
            {"sigma_px", result.sigma_px},
            {"wobble_deg", degrees(result.wobble_rms)},
            {"wobble_noise_deg", degrees(result.wobble_noise)},
            {"eccentricity_mm", result.eccentricity_mm},
            {"eccentricity_noise_mm", result.eccentricity_noise_mm},
            {"sigma_angle_deg", degrees(result.calibration.sigma_angle)}};
  json["rings"] = Json::array();
  for (const RingAxis& ring : result.calibration.rings) {
    const Eigen::Vector3d& d = ring.axis.direction;
    const Eigen::Vector3d& o = ring.axis.origin_mm;
    json["rings"].push_back({{"ring", ring.ring},
                             {"elevation_deg", degrees(ring.elevation)},
                             {"azimuth_deg", degrees(ring.azimuth)},
                             {"tilt_deg", degrees(ring.tilt.angle)},
                             {"direction", {d.x(), d.y(), d.z()}},
                             {"origin_mm", {o.x(), o.y(), o.z()}}});
  }
  json["images"] = Json::array();
  for (const calibrate_axis::AxisStation& station : result.stations) {
    json["images"].push_back({{"file", station.name},
                              {"ring", request.rings[station.ring]},
                              {"corners", station.corners},
                              {"mean_error_px", station.mean_error_px},
                              {"angle_error_deg", degrees(station.angle_error)},
                              {"angle_sigma_deg", degrees(station.angle_sigma)},
                              {"measured_angle_deg", degrees(station.measured_angle)},
                              {"wobble_deg", degrees(station.wobble)},
                              {"runout_mm", station.runout_mm}});
  }
  return json;
}

// The second axis, and how far each ring was tilted about it.
std::string tilt_text(const AxisCalibration& calibration, const Tilt& tilt) {
  const TiltCovariance& c = tilt.covariance;
  std::string text = fmt::format(
      "second axis: azimuth {:.3f} +- {:.3f}, inclination {:.3f} +- {:.3f} degrees, across {:.4f} "
      "+- "
      "{:.4f}, height {:.4f} +- {:.4f} mm; tilts",
      degrees(tilt.axis.azimuth), degrees(std::sqrt(c(0, 0))), degrees(tilt.axis.inclination),
      degrees(std::sqrt(c(1, 1))), tilt.axis.across_mm, std::sqrt(c(2, 2)), tilt.axis.height_mm,
      std::sqrt(c(3, 3)));
  for (const RingAxis& ring : calibration.rings) {
    if (!tilts(ring)) continue;
    text += fmt::format(" {} {:.3f} +- {:.3f}", ring.ring, degrees(ring.tilt.angle),
                        degrees(std::sqrt(ring.tilt.covariance(4, 4))));
  }
  return text + " degrees\n";
}

std::string to_text(const calibrate_axis::AxisResult& result) {
  std::string text = result.sentence + "\n";
  for (const RingAxis& ring : result.calibration.rings) {
    const Eigen::Vector3d& o = ring.axis.origin_mm;
    text += fmt::format(
        "{}elevation {:.3f} degrees, axis at ({:.4f}, {:.4f}, {:.4f}) mm, direction +- {:.4f} "
        "degrees, position +- ({:.1f}, {:.1f}, {:.1f}) um\n",
        ring.ring.empty() ? "" : "ring " + ring.ring + ": ", degrees(ring.elevation), o.x(), o.y(),
        o.z(), degrees(std::sqrt(ring.covariance.topLeftCorner<2, 2>().trace())),
        1000.0 * std::sqrt(ring.covariance(2, 2)), 1000.0 * std::sqrt(ring.covariance(3, 3)),
        1000.0 * std::sqrt(ring.covariance(4, 4)));
  }
  if (const auto tilted =
          std::find_if(result.calibration.rings.begin(), result.calibration.rings.end(), tilts);
      tilted != result.calibration.rings.end()) {
    text += tilt_text(result.calibration, tilted->tilt);
  }
  if (result.accepted) {
    text += fmt::format(
        "wobble {:.4f} degrees (measurement noise {:.4f}), eccentricity {:.1f} um (measurement "
        "noise {:.1f})\n"
        "stage angles: standard deviation {:.4f} degrees\n",
        degrees(result.wobble_rms), degrees(result.wobble_noise), 1000.0 * result.eccentricity_mm,
        1000.0 * result.eccentricity_noise_mm, degrees(result.calibration.sigma_angle));
  }
  return text + findings_text(result.findings);
}

Provenance provenance_of(const std::vector<BoardFile>& files,
                         const calibrate_axis::AxisResult& result) {
  Provenance provenance;
  provenance.date = iso_date_of_run();
  provenance.tool_version = TRUNNION_VERSION;
  for (const BoardFile& file : files) {
    provenance.images.push_back(file.file.filename().string());
    provenance.image_hashes.push_back(file.hash);
  }
  for (const Finding& finding : result.findings) provenance.notes.push_back(finding.what);
  return provenance;
}

CommandResult calibrate_axis_command(const AxisCommand& options, const Common& common) {
  const Setup setup = read_setup(options.setup);
  const fs::path record_file = record_path(options.setup);
  CalibrationRecord record = record_for(setup);
  if (fs::exists(record_file)) {
    const CalibrationRecord before = read_record(record_file);
    // Another reference slice is what --reference-mm is for: the axis is found again.
    if (const auto differing = mismatches(before, setup, true); !differing.empty()) {
      throw data_error(fmt::format("{}: {}; calibrate the lens of this setup again.",
                                   record_file.string(), differing.front()));
    }
    record = before;
  }
  const BoardPattern pattern = parse_board(options.board, options.square_mm);
  const std::vector<fs::path> files = expand_files(options.images);
  const std::vector<Given> given = angles_of(files, options);
  BoardOptions board_options;
  board_options.allow_partial = false;
  const std::vector<BoardFile> boards = find_boards(files, pattern, common.jobs, board_options);
  Findings findings;
  const auto request = request_of(setup, &record, boards, given, pattern, options, findings);
  calibrate_axis::AxisOptions axis_options;
  axis_options.sigma_angle = radians(options.sigma_angle_deg);
  calibrate_axis::AxisResult result = calibrate_axis::calibrate_axis(request, axis_options);
  result.findings.insert(result.findings.begin(), findings.begin(), findings.end());
  result.calibration.reference_mm = options.reference_mm.value_or(0.0);
  if (result.accepted) result.calibration.provenance = provenance_of(boards, result);
  if (result.accepted && record.axis) {
    const auto kept = calibrate_axis::with_kept_rings(*record.axis, result.calibration);
    if (!kept.names.empty() && record.reference != setup.reference && !options.reference_mm) {
      throw data_error(
          fmt::format("{}: the rings kept ({}) were calibrated with another reference slice; give "
                      "--reference-mm, the rail position of the reference slice of these boards, "
                      "or calibrate all rings.",
                      record_file.string(), fmt::join(kept.names, ", ")));
    }
    result.calibration = kept.calibration;
    result.findings.insert(result.findings.end(), kept.findings.begin(), kept.findings.end());
  }
  CommandResult command;
  command.json = to_json(result, request);
  command.json["findings"] = findings_json(result.findings, FindingStage::left_out);
  command.text = to_text(result);
  if (!result.accepted) return without_calibration(std::move(command), result.findings);
  record.axis = result.calibration;
  record.reference = setup.reference;
  write_record(record_file, record);
  command.json["record"] = record_file.string();
  command.text += "written: " + record_file.string() + "\n";
  return command;
}

}  // namespace

void add_calibrate_axis(CLI::App& parent) {
  auto options = std::make_shared<AxisCommand>();
  CLI::App* command = add_command(
      parent, "axis", "Calibrate the rotation axis from images of a checkerboard on the stage",
      [options](const Common& common) { return calibrate_axis_command(*options, common); });
  command->add_option("SETUP", options->setup, "The setup's file, setups/NAME.toml")->required();
  command
      ->add_option("--images", options->images,
                   "Images of the board; patterns in quotes are allowed")
      ->required();
  command
      ->add_option("--angles", options->angles,
                   "Stage angles in degrees: a table (file,ring,angle_deg[,tilt_deg]), FIRST:STEP, "
                   "or one number per image in the order of their names")
      ->required();
  command
      ->add_option("--board", options->board,
                   "Inner corners of the board, COLUMNSxROWS; one odd, one even")
      ->capture_default_str();
  command->add_option("--square", options->square_mm, "Side of a square, mm")
      ->required()
      ->check(CLI::Range(0.001, 1000.0));
  command
      ->add_option("--elevation", options->elevation_deg,
                   "Elevation of the camera above the stage plane, degrees, approximate")
      ->check(CLI::Range(-85.0, 85.0))
      ->capture_default_str();
  command
      ->add_option("--sigma-angle", options->sigma_angle_deg,
                   "Standard deviation of a stage angle (encoder, backlash), degrees")
      ->check(CLI::Range(1e-5, 10.0))
      ->capture_default_str();
  command
      ->add_option("--turning", options->turning,
                   "Direction in which the stage turns, seen from above")
      ->check(CLI::IsMember({"counter-clockwise", "clockwise"}))
      ->capture_default_str();
  command
      ->add_option("--tilt-carries", options->carries,
                   "What the second axis tilts, if the table gives tilts: the specimen on the "
                   "turning stage, or the whole stage")
      ->check(CLI::IsMember({"specimen", "stage"}))
      ->capture_default_str();
  command
      ->add_option("--tilt-azimuth", options->tilt_azimuth_deg,
                   "Direction of the second axis at stage angle 0, degrees from the camera's "
                   "azimuth, approximate; it fixes the sign of the tilt")
      ->check(CLI::Range(-360.0, 360.0))
      ->capture_default_str();
  command
      ->add_option("--reference-mm", options->reference_mm,
                   "Rail position of the boards' reference slice, mm, as in a shot list; default 0")
      ->check(CLI::Range(-1000.0, 1000.0));
}

}  // namespace trunnion

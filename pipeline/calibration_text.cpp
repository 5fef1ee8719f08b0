#include "pipeline/calibration_text.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "core/finding_text.h"
#include "stages/compare_calibrations/compare_calibrations.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

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

}  // namespace

std::string lens_text(const calibrate_lens::LensResult& result) {
  const LensCalibration& lens = result.calibration;
  const bool perspective = lens.camera.projection == Projection::perspective;
  const auto sigma = [&lens](int i) { return std::sqrt(lens.covariance(i, i)); };
  std::string text =
      fmt::format("{} images, {} corners, rms {:.3f} px\nmodel: {} ({})\n", lens.images_used,
                  lens.corners_used, lens.rms_px, lens.model, result.why_model);
  const char* unit = perspective ? "px" : "px/mm";
  text += fmt::format("fx {:.4f} +- {:.4f} {}   fy {:.4f} +- {:.4f} {}\n", lens.camera.fx, sigma(0),
                      unit, lens.camera.fy, sigma(1), unit);
  text += fmt::format("cx {:.3f} +- {:.3f} px   cy {:.3f} +- {:.3f} px\n", lens.camera.cx, sigma(2),
                      lens.camera.cy, sigma(3));
  constexpr const char* kNames[] = {"k1", "k2", "p1", "p2", "k3"};
  std::string terms;
  for (int i = 0; i < 5; ++i) {
    const double value = lens.camera.distortion[static_cast<std::size_t>(i)];
    if (value == 0.0 && sigma(4 + i) == 0.0) continue;  // not in the model
    terms += fmt::format("{}{} {:.6g} +- {:.2g}", terms.empty() ? "" : "   ", kNames[i], value,
                         sigma(4 + i));
  }
  text += terms.empty() ? "no distortion\n" : terms + "\n";
  text += fmt::format("scale {:.6f} +- {:.6f} mm/px, magnification {:.4f}\n", result.mm_per_px,
                      result.mm_per_px_sigma, lens.magnification);
  text += fmt::format("quality: {}\n", lens.quality);
  for (const std::string& reason : result.quality_reasons) text += "  " + reason + "\n";
  if (!result.advice.empty()) text += "most useful further board: " + result.advice + "\n";
  return text;
}

Json lens_json(const calibrate_lens::LensResult& result) {
  Json json;
  json["accepted"] = result.accepted;
  json["model"] = result.calibration.model;
  json["why_model"] = result.why_model;
  json["rms_px"] = result.calibration.rms_px;
  json["quality"] = result.calibration.quality;
  json["quality_reasons"] = result.quality_reasons;
  json["advice"] = result.advice;
  json["mm_per_px"] = result.mm_per_px;
  json["mm_per_px_sigma"] = result.mm_per_px_sigma;
  json["principal_distance_sigma_fraction"] = result.principal_distance_sigma;
  json["correlation_with_distance"] = result.correlation_with_distance;
  json["coverage_share"] = result.coverage.share;
  json["largest_tilt_deg"] = degrees(result.largest_tilt);
  json["images"] = Json::array();
  for (const calibrate_lens::LensImage& image : result.images) {
    json["images"].push_back({{"file", image.name},
                              {"used", image.used},
                              {"reason", image.reason},
                              {"corners", image.corners},
                              {"corners_rejected", image.corners_rejected},
                              {"rms_px", image.rms_px},
                              {"tilt_deg", degrees(image.tilt)}});
  }
  json["findings"] = findings_json(result.findings, FindingStage::left_out);
  return json;
}

Json axis_json(const calibrate_axis::AxisResult& result,
               const calibrate_axis::AxisRequest& request) {
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

std::string axis_text(const calibrate_axis::AxisResult& result) {
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

void add_compare_option(CLI::App& command, std::string& before) {
  command
      .add_option("--compare", before,
                  "An earlier record of this setup (NAME.calibration.json): says whether the setup "
                  "has moved since, beyond the uncertainties")
      ->check(CLI::ExistingFile);
}

void add_comparison(const std::string& before, const CalibrationRecord& now,
                    CommandResult& command) {
  if (before.empty()) return;
  const auto result = compare_calibrations::compare_calibrations(read_record(before), now);
  std::string text = fmt::format("compared with {}: {}\n", before, result.verdict);
  Json& json = command.json["comparison"];
  json = {{"with", before}, {"moved", result.moved}, {"verdict", result.verdict}};
  for (const auto& group : result.groups) {
    text += fmt::format("{}: {} (probability {:.2g} if nothing moved)\n", group.name,
                        group.moved ? "moved" : "unchanged", group.probability);
    Json changes = Json::array();
    for (const auto& change : group.changes) {
      text += fmt::format(
          "  {:<30} {:>14.6g} -> {:>14.6g} {}, difference {:+.3g} +- {:.2g} ({:.1f} "
          "sigmas)\n",
          change.what, change.before, change.now, change.unit, change.now - change.before,
          change.sigma, change.sigmas);
      changes.push_back({{"what", change.what},
                         {"unit", change.unit},
                         {"before", change.before},
                         {"now", change.now},
                         {"sigma", change.sigma},
                         {"sigmas", change.sigmas}});
    }
    json["groups"].push_back({{"name", group.name},
                              {"moved", group.moved},
                              {"chi_square", group.chi_square},
                              {"degrees_of_freedom", group.freedom},
                              {"probability", group.probability},
                              {"changes", changes}});
  }
  const auto shift = [&](const char* key, const char* what,
                         const compare_calibrations::PixelShift& s) {
    if (!now.lens) return;
    text += fmt::format(
        "{}: {:.3f} px RMS over the image, {:.3f} px at worst; {:.3f} px expected "
        "from the uncertainties\n",
        what, s.rms_px, s.largest_px, s.expected_rms_px);
    json[key] = {
        {"rms_px", s.rms_px}, {"largest_px", s.largest_px}, {"expected_rms_px", s.expected_rms_px}};
  };
  shift("ray_shift", "shift of a fixed ray", result.ray);
  shift("shape_shift", "after shift, turn and scale", result.shape);
  command.text += text;
}

}  // namespace trunnion

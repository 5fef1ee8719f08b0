#include "stages/calibrate_axis/calibrate_axis.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "core/angle.h"
#include "core/error.h"
#include "core/median.h"
#include "stages/calibrate_axis/angles.h"
#include "stages/calibrate_axis/board_poses.h"
#include "stages/calibrate_axis/fit.h"
#include "stages/calibrate_axis/numbering.h"
#include "stages/calibrate_axis/tilt.h"
#include "stages/calibrate_axis/wobble.h"

namespace trunnion::calibrate_axis {
namespace {

constexpr double kTellingElevation = radians(5.0);  // more than a camera is placed wrong by

std::vector<std::size_t> sightings_of(const AxisRequest& request, std::size_t ring) {
  std::vector<std::size_t> list;
  for (std::size_t i = 0; i < request.sightings.size(); ++i) {
    if (request.sightings[i].ring == ring) list.push_back(i);
  }
  return list;
}

// Leaves out sightings with too few corners; throws where too few are left.
AxisRequest usable(const AxisRequest& request, const AxisOptions& options, Findings& findings) {
  AxisRequest kept = request;
  kept.sightings.clear();
  for (const AxisSighting& sighting : request.sightings) {
    if (static_cast<int>(sighting.corners.size()) >= options.fewest_corners) {
      kept.sightings.push_back(sighting);
      continue;
    }
    findings.push_back({Severity::doubt, "calibrate axis", sighting.name,
                        fmt::format("{} corners of the board were measured, {} are needed; the "
                                    "image is left out.",
                                    sighting.corners.size(), options.fewest_corners),
                        "Show the whole board, sharp and evenly lit."});
  }
  for (std::size_t r = 0; r < request.rings.size(); ++r) {
    const std::size_t count = sightings_of(kept, r).size();
    if (static_cast<int>(count) >= options.fewest_stations) continue;
    throw data_error(fmt::format(
        "Ring \"{}\" shows the board in {} usable images; {} at different stage angles are needed. "
        "Shoot more stations with the board in view.",
        request.rings[r], count, options.fewest_stations));
  }
  return kept;
}

struct Start {
  FitStart fit;
  double median_pose_rms_px = 0;  // of the board by itself
};

// Axes, measured angles and the board's place from the poses of each ring.
Start first_look(const AxisRequest& request) {
  Start start;
  start.fit.angles.assign(request.sightings.size(), 0.0);
  start.fit.board.assign(request.sightings.size(), 0);
  const bool telecentric = request.camera.projection == Projection::telecentric;
  std::vector<double> errors;
  for (std::size_t r = 0; r < request.rings.size(); ++r) {
    const std::vector<std::size_t> ring = sightings_of(request, r);
    std::vector<double> given;
    for (const std::size_t i : ring) {
      given.push_back(request.sightings[i].stage_angle);
      errors.push_back(board_pose(request, request.sightings[i]).rms_px);
    }
    const Eigen::Vector3d up = nominal_axis(1.0, request.elevations[r]).direction;
    const std::vector<Pose> poses = board_poses(request, ring, up);
    const auto motion = motion_of(poses, given, up);
    start.fit.axes.push_back(motion.axis);
    for (std::size_t k = 0; k < ring.size(); ++k) {
      start.fit.angles[ring[k]] = given[0] + motion.angles[k];
    }
    // Each tilted ring has its own place of the board, until the second axis is known.
    if (r == 0 || !request.tilts.empty()) {
      for (const std::size_t i : ring) {
        start.fit.board[i] = static_cast<int>(start.fit.boards.size());
      }
      const Pose turn{rig::turn<double>(given[0]), Eigen::Vector3d::Zero()};
      const Pose stage = camera_from_stage(motion.axis, telecentric) * turn;
      start.fit.boards.push_back(step_of(stage.inverse() * poses[0]));
    }
  }
  start.median_pose_rms_px = std::max(median_in_place(errors), 0.02);
  return start;
}

// The board moved between two sightings: the split that explains the corners best.
std::optional<std::size_t> where_board_moved(const AxisRequest& request, const Start& start,
                                             double limit_px) {
  std::optional<std::size_t> where;
  double least = limit_px;
  for (std::size_t k = 2; k + 2 <= request.sightings.size(); ++k) {
    FitStart split = start.fit;
    // Of the ring concerned alone where each has its own place.
    const int before = split.board[k];
    if (split.board[k - 1] != before) continue;
    split.boards.push_back(split.boards[static_cast<std::size_t>(before)]);
    for (std::size_t i = k; i < split.board.size(); ++i) {
      if (split.board[i] == before) split.board[i] = static_cast<int>(split.boards.size()) - 1;
    }
    const Fit fit = fit_rig(request, split, {.sigma_px = 0.2});
    if (fit.rms_px < least) {
      least = fit.rms_px;
      where = k;
    }
  }
  return where;
}

std::string verdict_of(const AxisResult& result, const AngleCheck& check) {
  switch (result.fault) {
    case AxisFault::none:
      return "The stage angles agree with the images.";
    case AxisFault::wrong_sign:
      return "The stage turned in the opposite direction to the angles given.";
    case AxisFault::wrong_step:
      return fmt::format("The stage turned {:.4f} times as far as the angles given.",
                         check.step_ratio);
    case AxisFault::slipped:
      return fmt::format("The stage slipped by {:.3f} degrees before \"{}\".", degrees(check.size),
                         result.fault_station);
    case AxisFault::board_moved:
      return fmt::format("The board moved on the stage before \"{}\".", result.fault_station);
    case AxisFault::wrong_angle:
      return fmt::format("\"{}\" was shot {:.3f} degrees away from the angle given.",
                         result.fault_station, degrees(check.size));
    case AxisFault::wrong_tilt:
      return "The tilts given do not fit the images.";
    case AxisFault::unclear:
    case AxisFault::numbering:
      return "The board positions do not fit one rotation axis with the stage angles given.";
  }
  return {};
}

const char* remedy_of(AxisFault fault) {
  switch (fault) {
    case AxisFault::wrong_sign:
      return "Change the direction of turning, or the signs of the angles.";
    case AxisFault::wrong_step:
      return "Check step size and gear ratio, and give the true angles.";
    case AxisFault::slipped:
      return "Check clutch, load and backlash, and shoot the board again.";
    case AxisFault::board_moved:
      return "Fix the board firmly to the stage and shoot it again.";
    case AxisFault::wrong_angle:
      return "Leave the image out or give its true angle.";
    default:
      return "Check that images and angles belong together, in order, and that the board is fixed.";
  }
}

AngleCheck check_rings(const AxisRequest& request, const Start& start, const Fit& free,
                       const AxisOptions& options, AxisResult& result) {
  for (std::size_t r = 0; r < request.rings.size(); ++r) {
    const std::vector<std::size_t> ring = sightings_of(request, r);
    std::vector<double> given;
    std::vector<double> measured;
    double noise = 0;
    for (const std::size_t i : ring) {
      given.push_back(request.sightings[i].stage_angle);
      measured.push_back(start.fit.angles[i] + free.angle_steps[i]);
      noise = std::max(noise, free.angle_sigmas[i]);
      result.stations[i].measured_angle = measured.back() - measured.front();
    }
    const double tolerance = 5.0 * std::hypot(options.sigma_angle, noise);
    AngleCheck check = check_angles(given, measured, tolerance);
    if (r == 0) result.found_step_ratio = check.step_ratio;
    if (check.fault == AxisFault::none) continue;
    check.station = ring[check.station];
    return check;
  }
  return {};
}

void report_fault(AxisResult& result, const AngleCheck& check) {
  result.sentence = verdict_of(result, check);
  result.findings.push_back({Severity::fault, "calibrate axis", result.fault_station,
                             result.sentence, remedy_of(result.fault)});
}

void fill_stations(const AxisRequest& request, AxisResult& result) {
  for (const AxisSighting& sighting : request.sightings) {
    AxisStation station;
    station.name = sighting.name;
    station.ring = sighting.ring;
    station.corners = static_cast<int>(sighting.corners.size());
    result.stations.push_back(station);
  }
}

const char* quality_of(const Fit& fit, const AxisResult& result) {
  double direction = 0;
  for (const AxisCovariance& covariance : fit.covariances) {
    direction = std::max(direction, std::sqrt(covariance.topLeftCorner<2, 2>().trace()));
  }
  // A hundredth of a degree moves a point 10 mm from the axis by 2 um.
  if (direction < radians(0.01) && result.mean_error_px < 0.5) return "good";
  return direction < radians(0.05) && result.mean_error_px < 1.5 ? "fair" : "poor";
}

void fill_solution(const AxisRequest& request, const FitStart& start, const Fit& fit,
                   const AxisOptions& options, AxisResult& result) {
  result.rms_px = fit.rms_px;
  result.sigma_px = fit.sigma_px;
  result.azimuths = fit.azimuths;
  result.stage_from_board = pose_of(fit.boards[0]);
  double sum = 0;
  double angle2 = options.sigma_angle * options.sigma_angle;
  for (std::size_t i = 0; i < request.sightings.size(); ++i) {
    AxisStation& station = result.stations[i];
    for (const Eigen::Vector2d& r : fit.residuals_px[i]) station.mean_error_px += r.norm();
    station.mean_error_px /= static_cast<double>(fit.residuals_px[i].size());
    station.angle_error = fit.angle_steps[i];
    station.angle_sigma = fit.angle_sigmas[i];
    sum += station.mean_error_px;
    angle2 += station.angle_error * station.angle_error + station.angle_sigma * station.angle_sigma;
  }
  // The prior sigma counts as one more station, so that few stations do not promise too much.
  const auto count = static_cast<double>(request.sightings.size());
  result.mean_error_px = sum / count;
  AxisCalibration& calibration = result.calibration;
  calibration.rms_px = result.mean_error_px;
  calibration.sigma_angle = std::sqrt(angle2 / (count + 1.0));
  for (std::size_t r = 0; r < request.rings.size(); ++r) {
    RingAxis ring;
    ring.ring = request.rings[r];
    ring.axis = fit.axes[r];
    ring.elevation = std::asin(std::clamp(-ring.axis.direction.z(), -1.0, 1.0));
    ring.covariance = fit.covariances[r];
    if (request.joint) ring.covariance_with_lens = fit.with_camera[r];
    ring.azimuth = fit.azimuths[r];
    if (!fit.tilts.empty()) ring.tilt = fit.tilts[r];
    calibration.rings.push_back(ring);
  }
  calibration.quality = quality_of(fit, result);
  if (request.joint) result.camera = CameraKnowledge{fit.camera, fit.camera_covariance};
  measure_wobble(request, start, fit, result);
}

// Without perspective, a stage that turns the other way looks like one seen from below, so a wrong
// sign shows as a negative elevation. True where that contradicts the given elevation; where none
// is given, a doubt is added.
bool telecentric_from_below(const AxisRequest& request, AxisResult& result) {
  if (request.camera.projection != Projection::telecentric) return false;
  for (std::size_t r = 0; r < request.rings.size(); ++r) {
    const double found = result.calibration.rings[r].elevation;
    if (found > -kTellingElevation || request.elevations[r] < -kTellingElevation) continue;
    if (request.elevations[r] > kTellingElevation) return true;
    result.findings.push_back(
        {Severity::doubt, "calibrate axis", "",
         fmt::format("{}elevation {:.1f} degrees: either the camera is below the stage plane, or "
                     "the stage turned in the opposite direction to the angles given; images "
                     "without perspective cannot decide.",
                     request.rings[r].empty() ? "" : "Ring " + request.rings[r] + ": ",
                     degrees(found)),
         "Give --elevation, and the true direction of turning."});
  }
  return false;
}

// From a board and an axis a ring to one of each on a second axis. The board's place is that at
// tilt 0.
void share_one_axis(FitStart& start, const TiltStart& tilt, const std::vector<double>& given) {
  start.tilted = true;
  start.tilt_reference = tilt.reference;
  start.tilts = given;
  start.line = tilt.line;
  std::fill(start.axes.begin(), start.axes.end(), Axis(start.axes[tilt.reference]));
  std::fill(start.board.begin(), start.board.end(), 0);
  const rig::Motion<double> motion =
      rig::tilt_motion<double>(tilt.line.data(), given[tilt.reference]);
  const Pose tilted{motion.R, motion.t};
  const Pose board = pose_of(start.boards[tilt.reference]);
  start.boards = {step_of(tilted.inverse() * board)};
}

}  // namespace

const char* name_of(AxisFault fault) {
  constexpr const char* kNames[] = {"none",          "wrong sign",  "wrong step",
                                    "slipped stage", "board moved", "wrong angle",
                                    "wrong tilt",    "unclear",     "numbering"};
  return kNames[static_cast<std::size_t>(fault)];
}

AxisResult calibrate_axis(const AxisRequest& all, const AxisOptions& options) {
  AxisResult result;
  const Numbering numbering = settle_numbering(usable(all, options, result.findings), options);
  result.findings.insert(result.findings.end(), numbering.findings.begin(),
                         numbering.findings.end());
  const AxisRequest& request = numbering.request;
  fill_stations(request, result);
  if (!numbering.fault.empty()) {
    result.fault = AxisFault::numbering;
    result.sentence = numbering.fault;
    result.findings.push_back(
        {Severity::fault, "calibrate axis", "", numbering.fault, numbering.remedy});
    return result;
  }
  const Start start = first_look(request);
  const Fit free = fit_rig(request, start.fit, {.sigma_px = 0.2, .covariance = true});
  const double limit_px = 3.0 * start.median_pose_rms_px;
  if (free.rms_px > limit_px) {
    const auto where = where_board_moved(request, start, limit_px);
    result.fault = where ? AxisFault::board_moved : AxisFault::unclear;
    if (where) result.fault_station = request.sightings[*where].name;
    result.rms_px = free.rms_px;
    report_fault(result, {});
    return result;
  }
  const AngleCheck check = check_rings(request, start, free, options, result);
  result.fault = check.fault;
  if (check.fault != AxisFault::none) {
    if (check.fault == AxisFault::slipped || check.fault == AxisFault::wrong_angle) {
      result.fault_station = request.sightings[check.station].name;
    }
    report_fault(result, check);
    return result;
  }
  FitStart given = start.fit;
  given.axes = free.axes;
  given.boards = free.boards;
  for (std::size_t i = 0; i < request.sightings.size(); ++i) {
    given.angles[i] = request.sightings[i].stage_angle;
  }
  if (!request.tilts.empty()) {
    const TiltStart tilt = first_tilt(request, free, options);
    if (!tilt.fault.empty()) {
      result.fault = AxisFault::wrong_tilt;
      result.sentence = tilt.fault;
      result.findings.push_back({Severity::fault, "calibrate axis", "", tilt.fault, tilt.remedy});
      return result;
    }
    share_one_axis(given, tilt, request.tilts);
  }
  // The record's camera is the one that images are undistorted and posed with: the axis must belong
  // to that one, so it is held here, unless it is found in the same adjustment.
  const Fit fit = fit_rig(request, given,
                          {.sigma_angle = options.sigma_angle,
                           .sigma_azimuth = options.sigma_azimuth,
                           .sigma_tilt = options.sigma_tilt,
                           .sigma_px = 0.2,
                           .covariance = true,
                           .hold_camera = !request.joint,
                           .joint = request.joint.has_value()});
  if (!fit.converged) {
    result.fault = AxisFault::unclear;
    report_fault(result, {});
    return result;
  }
  fill_solution(request, given, fit, options, result);
  if (telecentric_from_below(request, result)) {
    result.fault = AxisFault::wrong_sign;
    report_fault(result, {});
    return result;
  }
  result.accepted = true;
  result.sentence =
      fmt::format("{} Average mean reprojection error {:.3f} px; quality {}.",
                  verdict_of(result, {}), result.mean_error_px, result.calibration.quality);
  return result;
}

}  // namespace trunnion::calibrate_axis

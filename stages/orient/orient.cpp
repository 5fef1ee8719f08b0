#include "stages/orient/orient.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "core/angle.h"

namespace trunnion::orient {
namespace {

// By the optics; with a calibrated principal distance c the distance that gives the magnification.
double object_distance_mm(const Setup& setup, const CalibrationRecord* record) {
  const bool calibrated = record != nullptr && record->lens && setup.measured_magnification;
  if (!calibrated || record->lens->camera.projection == Projection::telecentric) {
    return setup.object_distance_mm();
  }
  return record->lens->camera.fx * setup.pixel_pitch_um * 1e-3 / *setup.measured_magnification;
}

// The second axis as given, for a tilt that no calibration has measured.
Tilt nominal_tilt(const NominalTilt& given, double angle) {
  Tilt tilt;
  tilt.axis = given.axis;
  tilt.angle = angle;
  if (angle == 0.0) return tilt;  // what the world is counted from
  Eigen::Vector<double, 5> sigmas;
  sigmas << given.sigma_direction, given.sigma_direction, given.sigma_position_mm,
      given.sigma_position_mm, given.sigma_tilt;
  tilt.covariance = sigmas.array().square().matrix().asDiagonal();
  return tilt;
}

// Axis of a ring from the optics and the specimen file, with its wide covariance.
RingAxis nominal_ring(const Ring& ring, const Specimen& specimen, const Setup& setup,
                      const CalibrationRecord* record) {
  const NominalGeometry& nominal = specimen.geometry;
  const double distance = nominal.distance_mm.value_or(object_distance_mm(setup, record));
  RingAxis result;
  result.ring = ring.name;
  result.elevation = ring.elevation;
  result.axis = nominal_axis(distance, ring.elevation, {nominal.offset_x_mm, nominal.offset_y_mm});
  const double field_mm = setup.width_px * setup.object_pixel_um() / 1000.0;
  const double sigma_offset = nominal.sigma_offset_fraction * field_mm;
  const double sigma_distance = nominal.sigma_distance_fraction * distance;
  const Eigen::Vector<double, 5> sigmas(nominal.sigma_elevation, nominal.sigma_elevation,
                                        sigma_offset, sigma_offset, sigma_distance);
  result.covariance = sigmas.array().square().matrix().asDiagonal();
  result.tilt = nominal_tilt(specimen.tilt, ring.tilt);
  return result;
}

// A ring is the calibrated one up to so much: what a user reads off a stand is no better.
constexpr double kElevationDoubt = radians(3.0);

// The calibrated second axis at a tilt that was given but not calibrated.
Tilt tilt_on_calibrated_axis(const AxisCalibration& calibration, const NominalTilt& given,
                             double angle) {
  Tilt tilt = nominal_tilt(given, angle);
  for (const RingAxis& ring : calibration.rings) {
    if (!tilts(ring)) continue;
    tilt.axis = ring.tilt.axis;
    if (angle != 0.0)
      tilt.covariance.topLeftCorner<4, 4>() = ring.tilt.covariance.topLeftCorner<4, 4>();
  }
  return tilt;
}

std::optional<RingAxis> calibrated_ring(const Ring& ring, const Specimen& specimen,
                                        const AxisCalibration& calibration) {
  for (const RingAxis& candidate : calibration.rings) {
    if (candidate.ring == ring.name) return candidate;
  }
  // A calibration of the bare setup names no ring: take the one at this elevation. With a tilt on
  // either side, named rings serve too: the camera has stayed where it was.
  for (const RingAxis& candidate : calibration.rings) {
    const bool tilted = ring.tilt != 0.0 || tilts(candidate);
    if (!candidate.ring.empty() && !tilted) continue;
    if (std::abs(candidate.elevation - ring.elevation) >= kElevationDoubt) continue;
    RingAxis found = candidate;
    found.tilt = tilt_on_calibrated_axis(calibration, specimen.tilt, ring.tilt);
    return found;
  }
  return std::nullopt;
}

void check_told(const Ring& ring, const RingAxis& found, Findings& findings) {
  if (std::abs(found.elevation - ring.elevation) > kElevationDoubt) {
    findings.push_back(
        {Severity::doubt, "orient", "",
         fmt::format("Ring \"{}\" was calibrated at an elevation of {:.1f} degrees, but "
                     "elevation_deg says {:.1f}; the calibrated one is used.",
                     ring.name, degrees(found.elevation), degrees(ring.elevation)),
         "Correct elevation_deg, or calibrate the axis again if the camera was moved."});
  }
  if (std::abs(found.tilt.angle - ring.tilt) > kElevationDoubt) {
    findings.push_back(
        {Severity::doubt, "orient", "",
         fmt::format("Ring \"{}\" was calibrated at a tilt of {:.1f} degrees, but tilt_deg says "
                     "{:.1f}; the calibrated one is used.",
                     ring.name, degrees(found.tilt.angle), degrees(ring.tilt)),
         "Correct tilt_deg, or calibrate the axis again if the ring had another tilt."});
  }
}

// A tilt that shows nothing new: about the line of sight the image only turns.
void check_tilt(const RingAxis& ring, bool telecentric, Findings& findings) {
  if (ring.tilt.angle == 0.0 || ring.tilt.axis.kind != TiltKind::stage) return;
  const Pose level = pose_at(ring.axis, 0.0, telecentric);
  const Pose tilted = pose_at(ring.axis, 0.0, telecentric, ring.tilt);
  const double turned = rotation_angle_between(level.R, tilted.R);
  const double seen = std::acos(std::clamp(level.R.row(2).dot(tilted.R.row(2)), -1.0, 1.0));
  if (seen > 0.2 * turned) return;
  findings.push_back(
      {Severity::doubt, "orient", "",
       fmt::format("Ring \"{}\" is tilted by {:.1f} degrees about an axis close to the viewing "
                   "direction: its images are rotated, but the viewpoint does not change.",
                   ring.ring, degrees(ring.tilt.angle)),
       "Tilt about an axis perpendicular to the viewing direction to see the specimen from other "
       "sides; check azimuth_deg of [tilt]."});
}

View view_of(const OrientStation& station, const RingAxis& ring, const Ring& given,
             double sigma_angle, bool telecentric) {
  View view;
  view.name = station.name;
  view.ring = station.ring;
  view.station = station.station;
  view.stage_angle = station.stage_angle;
  view.sigma_stage_angle = sigma_angle;
  // A capture table's tilt counts from the ring's, which a calibration may have measured.
  Tilt tilt = ring.tilt;
  tilt.angle += station.tilt - given.tilt;
  view.tilt = tilt.angle;
  const double angle = station.stage_angle + ring.azimuth;
  view.prior = pose_at(ring.axis, angle, telecentric, tilt);
  view.prior_covariance =
      pose_covariance_at(ring.axis, ring.covariance, angle, sigma_angle, telecentric, tilt);
  return view;
}

// Where the reference slices stood, against the one that the axis belongs to.
class References {
 public:
  References(const Specimen& specimen, const Setup& setup, double calibrated_mm, bool telecentric)
      : sigma_mm_(specimen.geometry.sigma_reference_mm),
        calibrated_mm_(calibrated_mm),
        serve_(setup.moves == FocusMotion::rail && !telecentric) {}

  void apply(const OrientStation& station, View& view) {
    if (!station.reference_mm) return;
    given_ = true;
    if (!serve_) return;
    view.reference_mm = *station.reference_mm - calibrated_mm_;
    view.sigma_reference_mm = sigma_mm_;
    view.prior = moved_back(view.prior, view.reference_mm);
    view.prior_covariance = with_view_sigma(view.prior_covariance, view.prior, sigma_mm_);
  }
  void report(Findings& findings) const {
    if (!given_ || serve_) return;
    findings.push_back(
        {Severity::doubt, "orient", "",
         "reference_mm has no effect: it applies only to rail series rescaled when fused.",
         "Remove reference_mm, or correct [fusion] in the setup."});
  }

 private:
  double sigma_mm_;
  double calibrated_mm_;
  bool serve_;
  bool given_ = false;
};

}  // namespace

OrientResult orient(const std::vector<OrientStation>& stations, const Specimen& specimen,
                    const Setup& setup, const CalibrationRecord* record) {
  OrientResult result;
  const AxisCalibration* calibration = record != nullptr && record->axis ? &*record->axis : nullptr;
  const bool telecentric = record != nullptr && record->lens
                               ? record->lens->camera.projection == Projection::telecentric
                               : setup.orthographic();
  result.axis_calibrated = calibration != nullptr;
  for (const Ring& ring : specimen.rings) {
    std::optional<RingAxis> found;
    if (calibration != nullptr) found = calibrated_ring(ring, specimen, *calibration);
    if (!found) {
      result.axis_calibrated = false;
      result.findings.push_back(
          {Severity::doubt, "orient", "",
           fmt::format("Ring \"{}\" has no calibrated rotation axis; its poses come from nominal "
                       "geometry and have large uncertainties.",
                       ring.name),
           "Calibrate the axis with a checkerboard on the stage (trunnion calibrate axis)."});
      result.rings.push_back(nominal_ring(ring, specimen, setup, record));
    } else {
      check_told(ring, *found, result.findings);
      result.rings.push_back(*found);
      result.rings.back().ring = ring.name;
    }
    check_tilt(result.rings.back(), telecentric, result.findings);
  }
  const double sigma_angle = calibration != nullptr && calibration->sigma_angle > 0
                                 ? calibration->sigma_angle
                                 : specimen.geometry.sigma_angle;
  References references(specimen, setup, calibration != nullptr ? calibration->reference_mm : 0.0,
                        telecentric);
  for (const OrientStation& station : stations) {
    View view = view_of(station, result.rings.at(station.ring_index),
                        specimen.rings.at(station.ring_index), sigma_angle, telecentric);
    references.apply(station, view);
    view.pose = view.prior;
    view.covariance = view.prior_covariance;
    result.views.push_back(view);
  }
  references.report(result.findings);
  return result;
}

}  // namespace trunnion::orient

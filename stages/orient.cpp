#include "stages/orient.h"

#include <fmt/format.h>

#include <cmath>
#include <numbers>

#include "core/angle.h"

namespace trunnion {
namespace {

// By the optics; with a calibrated principal distance c the distance that gives the magnification.
double object_distance_mm(const Setup& setup, const CalibrationRecord* record) {
  const bool calibrated = record != nullptr && record->lens && setup.measured_magnification;
  if (!calibrated || record->lens->camera.projection == Projection::telecentric) {
    return setup.object_distance_mm();
  }
  return record->lens->camera.fx * setup.pixel_pitch_um * 1e-3 / *setup.measured_magnification;
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
  return result;
}

// A ring is the calibrated one up to so much: what a user reads off a stand is no better.
constexpr double kElevationDoubt = 3.0 * std::numbers::pi / 180.0;

const RingAxis* calibrated_ring(const Ring& ring, const AxisCalibration& calibration) {
  for (const RingAxis& candidate : calibration.rings) {
    if (candidate.ring == ring.name) return &candidate;
  }
  // A calibration of the bare setup names no ring: take the one at this elevation.
  for (const RingAxis& candidate : calibration.rings) {
    if (candidate.ring.empty() &&
        std::abs(candidate.elevation - ring.elevation) < kElevationDoubt) {
      return &candidate;
    }
  }
  return nullptr;
}

}  // namespace

OrientResult orient(const std::vector<OrientStation>& stations, const Specimen& specimen,
                    const Setup& setup, const CalibrationRecord* record) {
  OrientResult result;
  const AxisCalibration* calibration = record != nullptr && record->axis ? &*record->axis : nullptr;
  result.axis_calibrated = calibration != nullptr;
  for (const Ring& ring : specimen.rings) {
    const RingAxis* found = calibration != nullptr ? calibrated_ring(ring, *calibration) : nullptr;
    if (found == nullptr) {
      result.axis_calibrated = false;
      result.findings.push_back(
          {Severity::doubt, "orient", "",
           fmt::format("Ring \"{}\" has no calibrated rotation axis; its poses come from nominal "
                       "geometry and carry wide sigmas.",
                       ring.name),
           "Calibrate the axis with a checkerboard on the stage (trunnion calibrate axis)."});
      result.rings.push_back(nominal_ring(ring, specimen, setup, record));
    } else {
      if (std::abs(found->elevation - ring.elevation) > kElevationDoubt) {
        result.findings.push_back(
            {Severity::doubt, "orient", "",
             fmt::format("Ring \"{}\" was calibrated at an elevation of {:.1f} degrees, but "
                         "elevation_deg says {:.1f}; the calibrated one is used.",
                         ring.name, degrees(found->elevation), degrees(ring.elevation)),
             "Correct elevation_deg, or calibrate the axis again if the camera was moved."});
      }
      result.rings.push_back(*found);
      result.rings.back().ring = ring.name;
    }
  }
  const bool telecentric = record != nullptr && record->lens
                               ? record->lens->camera.projection == Projection::telecentric
                               : setup.orthographic();
  const double sigma_angle = calibration != nullptr && calibration->sigma_angle > 0
                                 ? calibration->sigma_angle
                                 : specimen.geometry.sigma_angle;
  for (const OrientStation& station : stations) {
    const RingAxis& ring = result.rings.at(station.ring_index);
    View view;
    view.name = station.name;
    view.ring = station.ring;
    view.station = station.station;
    view.stage_angle = station.stage_angle;
    view.sigma_stage_angle = sigma_angle;
    const double angle = station.stage_angle + ring.azimuth;
    view.prior = pose_at(ring.axis, angle, telecentric);
    view.prior_covariance =
        pose_covariance_at(ring.axis, ring.covariance, angle, sigma_angle, telecentric);
    view.pose = view.prior;
    view.covariance = view.prior_covariance;
    result.views.push_back(view);
  }
  return result;
}

}  // namespace trunnion

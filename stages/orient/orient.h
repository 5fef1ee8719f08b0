// Orient: given the rotation axis in the camera's frame and the stage angles, the pose of every
// station with its covariance, in millimetres, before any reconstruction.
//
// With an axis calibration the axis of each ring comes from the record; without one, working
// distance, elevation and offsets from the specimen file give priors with large sigmas. The second
// axis, where rings are tilted about one, comes from either in the same way. A ring that the record
// does not hold stands on the axis of a calibrated ring of its elevation where one of the two is
// tilted: then the camera has not moved.
//
// Given rail positions of the reference slice move the camera along its viewing direction
// (turntable.h) if the images are pinhole views of a slice of a rail series.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "config/settings.h"
#include "core/finding.h"
#include "core/scene.h"

namespace trunnion::orient {

struct OrientStation {
  std::string name;
  std::string ring;
  std::size_t ring_index = 0;  // into Specimen::rings
  int station = 0;
  double stage_angle = 0;                             // rad, signed by the direction of turning
  double tilt = 0;                                    // rad, about the second axis, as given
  std::optional<double> reference_mm = std::nullopt;  // rail position of the reference slice
};

struct OrientResult {
  std::vector<View> views;      // one a station, in their order; files still empty
  std::vector<RingAxis> rings;  // the axis used for each ring of the specimen
  bool axis_calibrated = false;
  Findings findings;
};

// `record` may be null (nominal geometry).
OrientResult orient(const std::vector<OrientStation>& stations, const Specimen& specimen,
                    const Setup& setup, const CalibrationRecord* record);

}  // namespace trunnion::orient

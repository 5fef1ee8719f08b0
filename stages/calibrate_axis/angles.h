// Axis calibration: checks the given stage angles against the board poses.
#pragma once

#include <string>
#include <vector>

#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion::calibrate_axis {

struct AngleCheck {
  AxisFault fault = AxisFault::none;
  std::size_t station = 0;  // index of the first sighting concerned (slipped, wrong_angle)
  double step_ratio = 1;    // measured over given
  double size = 0;          // rad, of the slip or of the wrong angle
};

// `given` and `measured`: rad, sightings of one ring in the order they were shot; `tolerance`: rad,
// what encoder, backlash and measurement may differ by.
AngleCheck check_angles(const std::vector<double>& given, const std::vector<double>& measured,
                        double tolerance);

}  // namespace trunnion::calibrate_axis

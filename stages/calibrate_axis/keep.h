// Axis calibration: rings of an earlier calibration that were not calibrated again stay in the
// record.
#pragma once

#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "core/finding.h"

namespace trunnion::axis_calibration {

struct KeptRings {
  AxisCalibration calibration;     // the new one and what is kept of the earlier one
  std::vector<std::string> names;  // of the rings kept
  Findings findings;
};

// A ring is replaced by one of its name; a calibration without ring names replaces all rings within
// 3 degrees of its elevation, since it would serve them. Kept axes are carried to the new
// calibration's reference slice. A ring calibrated by itself does not show the camera's azimuth
// against the other rings: it keeps the one it had, and a doubt says so.
KeptRings with_kept_rings(const AxisCalibration& before, const AxisCalibration& now);

}  // namespace trunnion::axis_calibration

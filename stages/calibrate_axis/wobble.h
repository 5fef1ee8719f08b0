// Axis calibration: how far each station's turn deviates from a turn about one fixed axis.
#pragma once

#include "stages/calibrate_axis/calibrate_axis.h"
#include "stages/calibrate_axis/fit.h"

namespace trunnion::calibrate_axis {

// Fills wobble (tilt of the axis) and run-out (shift across it) of every station and their RMS:
// one Gauss-Newton step of the board's six degrees of freedom away from the rig, with the
// covariance that its corners give it.
void measure_wobble(const AxisRequest& request, const FitStart& start, const Fit& fit,
                    AxisResult& result);

}  // namespace trunnion::calibrate_axis

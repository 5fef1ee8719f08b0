// Axis calibration, the second axis: where it lies and how far each ring is tilted about it, from
// the places that the board takes ring by ring. The camera stays where it is, and the board rides
// on what is tilted, so between the rings i and 0 the board moves by T(tilt_i) T(tilt_0)^-1 in the
// stage frame: one turn about the second axis, whose line and angle are those of the motion.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "stages/calibrate_axis/calibrate_axis.h"
#include "stages/calibrate_axis/fit.h"

namespace trunnion::calibrate_axis {

struct TiltStart {
  std::size_t reference = 0;     // the ring that is tilted least: its tilt is believed
  std::array<double, 4> line{};  // azimuth, inclination, across, height
  std::vector<double> measured;  // rad, a ring's tilt by the board
  std::string fault;             // why the second axis can't be determined; empty where it can
  std::string remedy;
};

// `free`: the rings solved each with its own axis and its own board place (FitStart::board is the
// ring of a sighting).
TiltStart first_tilt(const AxisRequest& request, const Fit& free, const AxisOptions& options);

}  // namespace trunnion::calibrate_axis

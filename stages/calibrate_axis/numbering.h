// Axis calibration: one numbering of the board for all images of a call.
//
// A board that looks the same after half a turn, or of which only a part is seen, does not show in
// one image which corner is which. All images together do: the board turns about one axis. Of two
// images every pair of numberings gives the motion of the board between them, hence an axis where
// it is a turn by the difference of the stage angles; that axis predicts the board in all other
// images, whose numbering then follows by rounding to whole squares. Taken is the axis that places
// the most images, with the smallest adjusted residual of the corners; where another one does
// nearly as well, nothing is taken.
//
// Rings share the board's place on the stage, but not the height of the origin (turntable.h): which
// part of the board one ring sees follows from how far its corners are from the axis, and from
// what fits on the board.
#pragma once

#include <string>

#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion::calibrate_axis {

struct Numbering {
  AxisRequest request;  // all corners numbered alike; images that fit nowhere left out
  std::string fault;    // why the numbering can't be settled; empty where it is
  std::string remedy;
  Findings findings;
};

// Unchanged where every sighting is numbered already.
Numbering settle_numbering(const AxisRequest& request, const AxisOptions& options);

}  // namespace trunnion::calibrate_axis

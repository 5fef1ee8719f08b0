// Axis calibration: the numbering within one ring; see numbering.h.
#pragma once

#include <optional>
#include <vector>

#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion::calibrate_axis {

struct RingNumbering {
  std::vector<std::size_t> sightings;  // indices into the request
  // Beside them: from the sighting's numbering to that of the ring's reference sighting; empty
  // where the sighting fits nowhere.
  std::vector<std::optional<Placement>> placements;
  std::vector<Placement> on_board;  // where the reference's numbering can lie on the board
  Pose stage_from_board;            // of the reference's numbering, in the ring's stage frame
  bool ambiguous = false;           // another numbering fits nearly as well
  [[nodiscard]] std::size_t placed() const;
};

// mm on the board of a placement: x_board = R x + t in its plane.
Pose motion_on_board(const Placement& placement, double square_mm);

RingNumbering number_ring(const AxisRequest& request, std::size_t ring, bool dark_first);

}  // namespace trunnion::calibrate_axis

// Axis calibration, first look: the pose of the board in every image by itself, and the single-axis
// motion that these poses suggest.
#pragma once

#include <vector>

#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion::calibrate_axis {

// camera_from_board of a sighting by planar resection (OpenCV: infinitesimal plane-based pose,
// Collins and Bartoli, IJCV 109, 2014, then least squares). A telecentric camera takes the board's
// scaled orthographic image; of its two mirror poses the first is returned, both are in `mirror`.
struct BoardPose {
  Pose pose;
  Pose mirror;
  double rms_px = 0;
};
BoardPose board_pose(const AxisRequest& request, const AxisSighting& sighting);

// The poses of a ring's sightings (indices into request.sightings). Each telecentric view leaves
// two mirror poses; taken are those whose board keeps one axis all around, turning about it as the
// given angles do. The mirror image of the whole motion does so too, seen from below: `up`
// distinguishes them.
std::vector<Pose> board_poses(const AxisRequest& request, const std::vector<std::size_t>& ring,
                              const Eigen::Vector3d& up);

// The axis of the motion between poses of one ring, and how far the stage turned about it.
struct Motion {
  Axis axis;                   // direction along +Z as `up` says
  std::vector<double> angles;  // rad, a sighting, relative to the first; unwrapped along the given
};
Motion motion_of(const std::vector<Pose>& poses, const std::vector<double>& given_angles,
                 const Eigen::Vector3d& up);

}  // namespace trunnion::calibrate_axis

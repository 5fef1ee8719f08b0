// Corners of boards as a known camera would see them, with Gaussian noise: exact truth for
// calibration tests. Projection through core/camera.h, independent of the fitted model's own.
#pragma once

#include <random>
#include <vector>

#include "core/camera.h"
#include "core/checkerboard.h"
#include "core/pose.h"
#include "stages/calibrate_lens/calibrate_lens.h"

namespace trunnion::test {

struct SimulatedRig {
  Camera camera;
  double magnification = 1;  // at distance_mm
  double distance_mm = 200;  // projection centre to the boards' middle
};

struct Shoot {
  int boards = 15;
  BoardPattern pattern{9, 6, 1.0};
  double board_share = 0.75;  // of the image's height that the board fills
  double max_tilt = 0.6;      // rad
  double noise_px = 0.1;
  double spread = 0.5;  // of the room around the board that its middle moves in
};

// Square size that makes the board fill `board_share` of the image height.
double square_for(const SimulatedRig& rig, const Shoot& shoot);

// Boards at random tilts and places; views without reason always found.
std::vector<calibrate_lens::BoardImage> shoot_boards(const SimulatedRig& rig, const Shoot& shoot,
                                                     std::mt19937& random);

}  // namespace trunnion::test

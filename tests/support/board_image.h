// Boards drawn without any renderer: the exact checkerboard sampled through a known homography with
// antialiasing, so that the true corners are known to the last digit.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>

#include "core/checkerboard.h"

namespace trunnion::test {

struct BoardScene {
  BoardPattern pattern;
  cv::Size size{900, 700};
  Eigen::Matrix3d image_from_board = Eigen::Matrix3d::Identity();  // px from squares
  double dark = 0.15;                                              // fractions of full scale
  double light = 0.85;
  double shading = 0.0;  // fraction by which light falls off from left to right
  double blur_px = 0.8;  // sigma of the point spread
  double noise = 0.005;  // sigma, fraction of full scale
  int bits = 8;
};

// A homography that looks at the board's middle: `square_px` squares, turned by `roll` and tilted
// about the vertical by `tilt` (rad) with the perspective of a camera 20 board widths away.
Eigen::Matrix3d look_at_board(const BoardScene& scene, double square_px, double roll, double tilt,
                              const Eigen::Vector2d& offset_px = Eigen::Vector2d::Zero());

cv::Mat draw_board(const BoardScene& scene);

// Where an inner corner lies in the image.
Eigen::Vector2d true_corner(const BoardScene& scene, int column, int row);

}  // namespace trunnion::test

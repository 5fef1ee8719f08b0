// What the parameters and their covariance mean over the image.
#pragma once

#include <vector>

#include "stages/calibrate_lens/fit.h"

namespace trunnion::calibrate_lens {

struct FieldPoint {
  Eigen::Vector2d image_px = Eigen::Vector2d::Zero();
  Eigen::Vector2d correction_px = Eigen::Vector2d::Zero();  // undistorted minus image position
  // 1 sigma (length of the error vector) of where a fixed ray of the camera is imaged: everything
  // counts, also what a pose would take up.
  double sigma_reprojection_px = 0;
  // 1 sigma of the correction alone: what undistorting the image gets wrong.
  double sigma_correction_px = 0;
};

// columns x rows points from edge to edge of the image, by row.
std::vector<FieldPoint> field_of(const Fit& fit, const CameraMatrix& covariance, int columns,
                                 int rows);

struct CurvePoint {
  double radius_px = 0;  // of the ideal point from the principal point
  double shift_px = 0;   // radial displacement by the radial terms
  double sigma_px = 0;
};

// The radial distortion from the principal point to the farthest corner of the image.
std::vector<CurvePoint> distortion_curve(const Fit& fit, const CameraMatrix& covariance,
                                         int points);

}  // namespace trunnion::calibrate_lens

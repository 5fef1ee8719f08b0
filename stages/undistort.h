// Undistort: resamples an image and its mask into those of an ideal camera without distortion.
#pragma once

#include <opencv2/core.hpp>

#include "config/settings.h"
#include "core/camera.h"

namespace trunnion {

// The camera of the written images: no distortion, the same focal length; size and principal point
// by the settings.
Camera undistorted_camera(const Camera& source, const UndistortSettings& settings);

// Where each pixel of the new image comes from; computed once a camera.
struct UndistortMap {
  Camera from;
  Camera to;
  cv::Mat x;  // CV_32FC1, source column of each new pixel, px
  cv::Mat y;  // CV_32FC1, source row
  bool identity = false;
};

UndistortMap undistort_map(const Camera& source, const UndistortSettings& settings);

// Depth and channels are kept. Pixels without a source are black (mask: 0).
cv::Mat undistort_image(const cv::Mat& image, const UndistortMap& map, Interpolation interpolation);
cv::Mat undistort_mask(const cv::Mat& coverage, const UndistortMap& map);

// Position in the source image of a position in the new image and back (px).
Eigen::Vector2d to_source(const UndistortMap& map, const Eigen::Vector2d& new_px);
Eigen::Vector2d from_source(const UndistortMap& map, const Eigen::Vector2d& source_px);

}  // namespace trunnion

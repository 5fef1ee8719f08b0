// Invented specimens for tests of metadata and exports: a small posed scene, its setup, an image,
// and a colour profile.
#pragma once

#include <opencv2/core.hpp>
#include <string>

#include "config/setup.h"
#include "core/scene.h"

namespace trunnion::test {

// Two rings of eight and six stations around a small specimen, 600 x 400 px, with sigmas, tie
// points and a source camera with distortion.
Scene sample_scene();
Setup sample_setup();

// Eight points on and in the specimen, world frame, mm.
std::vector<Eigen::Vector3d> truth_points();

// A smooth pattern; depth CV_8U or CV_16U, 1, 3 or 4 channels.
cv::Mat sample_image(int width, int height, int depth, int channels);

// A small valid profile of version 2 (ICC.1:2001-04): matrix/TRC for RGB, gamma only for grey.
std::string icc_profile(bool grey);

// JPEG of an image, as a thumbnail.
std::string jpeg_bytes(const cv::Mat& image);

}  // namespace trunnion::test

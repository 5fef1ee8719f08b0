// The mesh seen by a camera.
#pragma once

#include <vector>

#include "stages/hull/hull.h"

namespace trunnion::hull {

// A vertex as a camera sees it: px, and depth along its axis in mm.
struct Seen {
  float u = 0;
  float v = 0;
  float depth = 0;
};
std::vector<Seen> see(const Mesh& mesh, const Camera& camera, const Pose& pose);

// The same camera with another number of pixels of the same frame.
Camera resized(const Camera& camera, int width_px, int height_px);

// CV_32F: least depth of the vertices in a pixel, infinity where there is none.
cv::Mat depth_of(const std::vector<Seen>& seen, cv::Size size);

}  // namespace trunnion::hull

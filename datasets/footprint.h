// How far a solid reaches in an image: which tiles must try it, and near which pixels a thin part
// may slip between samples.
#pragma once

#include <Eigen/Core>

#include "core/camera.h"
#include "core/pose.h"
#include "datasets/solid.h"

namespace trunnion::demo {

struct PixelBox {
  double left, top, right, bottom;
};

struct Footprint {
  PixelBox box;              // holds the whole solid, with a margin
  bool thin = false;         // may slip between the corners of a pixel
  Eigen::Vector2d from, to;  // its axis, px (round cones)
  double reach = 0;          // px around the axis
  // Whether a thin solid may touch the square of a pixel.
  [[nodiscard]] bool near(const Eigen::Vector2d& pixel) const;
};

Footprint footprint_of(const Solid& solid, const Camera& camera, const Pose& camera_from_world);

}  // namespace trunnion::demo

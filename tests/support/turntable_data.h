// The two published turntable sets as values; see docs/datasets.md for their sources.
#pragma once

#include <Eigen/Core>
#include <filesystem>
#include <string>
#include <vector>

#include "core/camera.h"
#include "core/pose.h"

namespace trunnion::test {

struct PublishedView {
  std::filesystem::path image;
  Camera camera;
  Pose pose;
};

// ring16, dinoSR_par.txt: K and [R t] of each view.
std::vector<PublishedView> read_ring16(const std::filesystem::path& folder);

// turntable36, projections.txt: the 3 x 4 projection matrices of viff.000 to viff.035, split into
// K [R t] (the metric of K along the axis is not physical, the rotations about it are).
std::vector<PublishedView> read_turntable36(const std::filesystem::path& folder);

}  // namespace trunnion::test

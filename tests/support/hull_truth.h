// The hull of true silhouettes, judged point by point without grid, distances or mesh: what
// stages/hull is measured against. Bodies are the demo's and those of mask_sets.h.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "datasets/rig.h"
#include "datasets/specimen_model.h"
#include "stages/hull/hull.h"

namespace trunnion::test {

struct HullSet {
  std::string name;
  std::unique_ptr<demo::SpecimenModel> model;
  std::vector<hull::HullView> views;  // true cameras without distortion, true poses
  std::vector<cv::Mat> masks;         // true coverage
  double pixel_mm = 0;
};

// "beetle", "shell", "pebble" with a seed, or a body of mask_sets.h by its name.
HullSet hull_set(const std::string& body, std::uint64_t seed, const demo::RigOptions& options);

// Whether every silhouette covers at least half of where the point projects, by bilinear
// interpolation. Views that do not see the point say nothing.
bool in_true_hull(const HullSet& set, const Eigen::Vector3d& world);

struct HullScore {
  double volume_ratio = 0;      // mesh over true hull
  double volume_sigma = 0;      // of the points drawn
  double mean_distance_px = 0;  // from the mesh's vertices to the true hull along their normals
  double thin_kept = 1;         // share of the length of strands that the silhouettes show
  double thin_shown_mm = 0;     // that length
};
HullScore score_hull(const HullSet& set, const hull::Mesh& mesh, std::size_t points);

// By the divergence theorem.
double volume_of(const hull::Mesh& mesh);

// Every edge is passed once in each direction.
bool is_closed(const hull::Mesh& mesh);

}  // namespace trunnion::test

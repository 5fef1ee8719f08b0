// Refine, matching: which feature of one view is which of another.
//
// Free matching compares descriptors alone and needs no geometry: it feeds the start from poor
// priors and the search for faults. Guided matching looks only inside epipolar bands, as wide as
// the uncertainty of the rig demands, so that repeated texture and glints find no partner.
// Both ask for mutual best matches that are clearly better than the second best (Lowe 2004).
#pragma once

#include <cstddef>
#include <vector>

#include "stages/refine/features.h"
#include "stages/refine/rig.h"

namespace trunnion::refine {

struct Match {
  int a = 0;  // index into the features of the first view
  int b = 0;
};

struct PairMatches {
  std::size_t view_a = 0;
  std::size_t view_b = 0;
  std::vector<Match> matches;
};

struct PairOptions {
  double max_turn = 0.70;  // rad; surface detail seen from further apart rarely looks alike
  int max_neighbours = 3;  // on either side in the ring
  double max_between_rings = 0.61;  // rad, angle between viewing directions
  // Also the next two images of the ring, whatever their angles: the angles may be wrong.
  bool in_order = false;
};

// Pairs worth matching: neighbours in a ring (across its closing too), and the nearest views of
// the other rings. Sorted.
std::vector<std::pair<std::size_t, std::size_t>> pairs_to_match(const RigModel& model,
                                                                const RigValues& values,
                                                                const PairOptions& options);

// Pixel positions of a view's features in the ideal camera (distortion taken out).
std::vector<Eigen::Vector2d> ideal_positions(const ImageFeatures& features, const Camera& camera);

// The same of one position.
Eigen::Vector2d ideal_position(const Eigen::Vector2d& pixel, const Camera& camera);

// Descriptors alone; at most `limit` features of each view, the strongest.
std::vector<Match> match_free(const ImageFeatures& a, const ImageFeatures& b, std::size_t limit,
                              double ratio);

// Bands of the epipolar geometry: lines in b of a point in a, and how the rig's uncertainty moves
// them.
struct GuidedOptions {
  double ratio = 0.85;        // of descriptor distances, best to second best inside the band
  double sigma_px = 1.0;      // of a feature's position
  double sigmas = 3.0;        // half width of the band
  double max_distance = 230;  // of descriptors; unrelated ones are about 330 apart
  double radius_mm = 0;       // of a sphere about the origin that holds the specimen; 0: unknown
};

// One of the two views matched.
struct MatchedView {
  std::size_t view;
  const ImageFeatures& features;
  const std::vector<Eigen::Vector2d>& positions;  // of the features, px without distortion
};

// `covariance`: of all parameters of the rig in the order of ParameterIndex; of another size it
// throws std::invalid_argument.
std::vector<Match> match_guided(const RigModel& model, const RigValues& values,
                                const Eigen::MatrixXd& covariance, const MatchedView& a,
                                const MatchedView& b, const GuidedOptions& options);

}  // namespace trunnion::refine

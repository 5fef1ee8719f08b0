// Refine, the report: what the adjustment found, as the scene and the verdict.
#pragma once

#include "stages/refine/adjust.h"
#include "stages/refine/match.h"
#include "stages/refine/refine.h"
#include "stages/refine/window.h"

namespace trunnion::refine {

struct Outcome {
  const RigModel& model;
  const RigValues& values;
  const std::vector<Track>& tracks;
  const std::vector<PairMatches>& pairs;
  const AdjustResult& adjusted;
  const Eigen::MatrixXd& covariance;  // of the rig
  const std::vector<Eigen::Matrix3d>& point_covariances;
  const std::vector<double>& image_sigma;  // rad a view
  const std::vector<double>& ignorance;    // rad a view; 0 where the place is not contradicted
  bool calibrated;                         // the axis
  const std::vector<ViewPlaces>& places;
};

// The prior as it came, with the counts of features.
RefineResult unrefined(const Scene& prior, const std::vector<RingAxis>& rings,
                       const std::vector<ViewPlaces>& places);

// Refined poses, axes, tie points, counts and verdict.
void fill_result(RefineResult& result, const Outcome& outcome);

}  // namespace trunnion::refine

// Refine, the report: what the adjustment found, as the scene and the verdict.
#pragma once

#include "stages/refine.h"
#include "stages/refine_adjust.h"
#include "stages/refine_match.h"
#include "stages/refine_window.h"

namespace trunnion::refining {

struct Outcome {
  const RigModel& model;
  const RigValues& values;
  const std::vector<Track>& tracks;
  const std::vector<PairMatches>& pairs;
  const AdjustResult& adjusted;
  const AdjustCovariance& covariance;
  const std::vector<ViewPlaces>& places;
};

// The prior as it came, with the counts of features.
RefineResult unrefined(const Scene& prior, const std::vector<RingAxis>& rings,
                       const std::vector<ViewPlaces>& places);

// Refined poses, axes, tie points, counts and verdict.
void fill_result(RefineResult& result, const Outcome& outcome);

}  // namespace trunnion::refining

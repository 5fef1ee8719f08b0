// Refine: what is wrong with what the files say, found from the images before the adjustment, taken
// into the model so that all other poses come out right, and named as what it is, each once.
#pragma once

#include <optional>
#include <utility>
#include <vector>

#include "stages/refine/capture.h"
#include "stages/refine/priors.h"
#include "stages/refine/refine.h"
#include "stages/refine/start.h"

namespace trunnion::refine {

struct Claims {
  RigModel model;       // corrected
  StartResult start;    // of it
  FreeParameters free;  // with the motion of a bump where there is one
  // rad a view: how far the place that the files give may be wrong; 0 where they are not
  // contradicted.
  std::vector<double> ignorance;
  std::vector<std::optional<std::size_t>> stands_for;  // the view whose given place a view shows
  std::vector<bool> placeless;                         // contradicted, and no other place is known
  Findings findings;
  AcquisitionFault fault = AcquisitionFault::none;  // the last one found
  std::size_t fault_view = 0;
  bool whole_ring = false;  // a step or a direction is wrong
  bool rig_denied = false;  // the images fit together only by another rig than the files give
  bool rig_open = false;    // or so it seems, by few and poor matches
  // Of the steps, a ring each or one for all.
  std::vector<std::pair<std::optional<std::size_t>, double>> factors;
};

struct ClaimInput {
  const Scene& prior;
  const std::vector<RingAxis>& rings;
  const FeatureReader& features;
  const Positions& positions;
  double level_px = 1;
};

// As wide as it gets: a place anywhere on the turn, as the standard deviation of a uniform angle.
constexpr double kAnyPlace = 1.8137993642342178;  // 2 pi / sqrt(12)

// What is said of wrong steps. `given`, `found`: rad a view, angles as the files give them and as
// the adjustment found them.
Findings step_findings(const Claims& claims, const std::vector<RingAxis>& rings,
                       const std::vector<double>& given, const std::vector<double>& found);

// `model`: as the files say. `pairs`: free matches; they gain those of views far from their place.
Claims examine_claims(const RigModel& model, const ClaimInput& input,
                      std::vector<PairMatches>& pairs);

}  // namespace trunnion::refine

// Refine, what each image is: the place on the turn that it shows, apart from what the files say.
//
// Points that other views agree on are projected into a view at every angle of the turn; where most
// of them are found is its place. Likewise for all stations from one on against those before, and
// for a whole ring with another step or direction. A claim needs points in three views and more,
// several times as many as the files' own account can place, and the strongest is taken first, so
// that a wrong station accuses no neighbour.
#pragma once

#include <cstddef>
#include <vector>

#include "stages/refine.h"
#include "stages/refine_faults.h"
#include "stages/refine_match.h"

namespace trunnion::refining {

struct CaptureInput {
  const RigModel& model;    // as the files say
  const RigValues& values;  // of the start
  const FeatureReader& features;
  const Positions& positions;
  double level_px = 1;
  bool calibrated = false;
};

// How well the matches within a ring bear out its angles: points of three views and more that lie
// in one place, and how many there could be.
struct Support {
  int points = 0;
  int possible = 0;
  double views = 0;  // share of the ring's views that see six of these points or more
  [[nodiscard]] double share() const {
    return possible > 0 ? static_cast<double>(points) / possible : 0.0;
  }
};
Support support_of(const RigModel& model, const RigValues& values, std::size_t ring,
                   const std::vector<PairMatches>& pairs, const Positions& positions,
                   double tolerance_px);

// The model with a ring's angles, counted from its first station, times `factor`.
RigModel with_factor(const RigModel& model, std::size_t ring, double factor);

// The factor of each ring's step that the images show: 1 where the files are borne out or nothing
// can be said. `accounts`: values of the rig to try; the best of them counts. A claim must place 80
// % of the points of three views and more, and the files' own account miss three times as many.
std::vector<double> step_factors(const CaptureInput& input, const std::vector<RigValues>& accounts,
                                 const std::vector<PairMatches>& pairs);

// From `view` on all stations of its ring stand `correction` further on than given.
struct Jump {
  std::size_t view = 0;
  double correction = 0;  // rad
  int points = 0;
};
std::vector<Jump> find_jumps(const CaptureInput& input, const std::vector<PairMatches>& pairs);

// One view's place on the turn of a ring.
struct Place {
  std::size_t view = 0;
  std::size_t ring = 0;
  double angle = 0;  // rad, of the stage, as StationModel::stage_angle counts
  int points = 0;    // that are found there
  int given = 0;     // that are found at the given angle
};
// `pairs` gain the matches of views that their neighbours don't know.
std::vector<Place> find_places(const CaptureInput& input, std::vector<PairMatches>& pairs);

// Whether two views are the same image, saved once more.
bool same_image(const ImageFeatures& a, const ImageFeatures& b);

}  // namespace trunnion::refining

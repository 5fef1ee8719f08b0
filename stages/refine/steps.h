// Refine, the step of a ring: the factor by which the angles given must be multiplied so that
// points seen in three views and more lie in one place. Half or twice the step, any other ratio, or
// the other direction (a negative factor).
#pragma once

#include <functional>
#include <vector>

#include "stages/refine/faults.h"
#include "stages/refine/match.h"
#include "stages/refine/refine.h"
#include "stages/refine/tracks.h"

namespace trunnion::refine {

struct CaptureInput {
  const RigModel& model;    // as the files say
  const RigValues& values;  // of the start
  const FeatureReader& features;
  const Positions& positions;
  double level_px = 1;
  bool calibrated = false;
};

// How well the matches within a ring fit its angles: points of three views and more that lie
// in one place, and how many there could be.
struct Support {
  int points = 0;
  int possible = 0;
  // Views of these points, and of those that could not be placed. A wrong step fits most points of
  // a narrow field of view, but only by giving up some of their views.
  int placed = 0;
  int missed = 0;
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

// rad, between consecutive stations of a ring, signed: the median. `angles`: rad a view.
double step_of(const RigModel& model, std::size_t ring, const std::vector<double>& angles);

// Whole turns that a ring makes with its step times `factor`; 0 where that is no whole number.
int rounds_of(const RigModel& model, std::size_t ring, double factor);

// The factor of each ring's step that the images show: 1 where the files are borne out or nothing
// can be said. `accounts`: values of the rig to try; the best of them counts. A claim must place 80
// % of the points of three views and more, and the angles given miss 2.5 times as many views; a
// factor near 1, 95 % and 6 times.
// Without calibration the rig that goes with a likely factor is sought, too, by `start_of`.
using StartOf = std::function<RigValues(const RigModel&)>;
std::vector<double> step_factors(const CaptureInput& input, const std::vector<RigValues>& accounts,
                                 const std::vector<PairMatches>& pairs, const StartOf& start_of);

// Points of three views and more by the matches within one ring.
std::vector<Track> long_tracks(const RigModel& model, std::size_t ring,
                               const std::vector<PairMatches>& pairs, const Positions& positions);

// px: how far from its place a point may be seen while rigs are compared.
double tolerance_of(const CaptureInput& input);

}  // namespace trunnion::refine

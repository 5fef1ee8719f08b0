// Refine, what each image is: the place on the turn that it shows, apart from what the files say.
//
// Points that other views agree on are projected into a view at every angle of the turn; where most
// of them are found is its place. Likewise for all stations from one on against those before, and
// for a whole ring with another step or direction. A claim needs points in three views and more,
// several times as many as the angles given can place, and the strongest is taken first, so
// that a wrong station accuses no neighbour.
#pragma once

#include <cstddef>
#include <functional>
#include <optional>
#include <vector>

#include "stages/refine/steps.h"

namespace trunnion::refine {

// From `view` on all stations of its ring stand `correction` further on than given.
struct Jump {
  std::size_t view = 0;
  double correction = 0;  // rad
  int points = 0;
};
// `across_rings`: the rings as a whole don't fit as given, because one of them or a stretch of one
// stands elsewhere. Then the other rings place points, too, and a ring but the first may be wrong
// from its first station on.
std::vector<Jump> find_jumps(const CaptureInput& input, const std::vector<PairMatches>& pairs,
                             bool across_rings);

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

// Where a ring stands as far on from one view to its end, by most of these, it is a jump that too
// few points showed; and where it does so from its beginning to one view, since the stations before
// a jump are those that stand right. `places` lose those of it.
std::optional<Jump> take_common_jump(const RigModel& model, std::vector<Place>& places);

// Two rings of equally many stations, each of which stands where the other is given.
struct RingExchange {
  std::size_t first = 0;
  std::size_t second = 0;
  RigModel model;  // with their stations exchanged
};
// `given`: the rigs to try as the files say; `accounts`: those to try with another model. `pairs`:
// free matches.
std::optional<RingExchange> find_exchanged_rings(
    const CaptureInput& input, const std::vector<PairMatches>& pairs,
    const std::vector<RigValues>& given,
    const std::function<std::vector<RigValues>(const RigModel&)>& accounts);

// Views that show another specimen than most do, sorted: groups of two and more that match well
// among themselves and not at all with those beside them. An image alone is no group.
std::vector<std::size_t> find_other_specimen(const CaptureInput& input,
                                             const std::vector<PairMatches>& pairs);

// Whether two views are the same image, saved once more.
bool same_image(const ImageFeatures& a, const ImageFeatures& b);

}  // namespace trunnion::refine

// A rendered set as the refinement sees it: features of every view, priors by what the files say,
// and the truth. Images and masks come straight from the renderer, so that one rendering serves
// many ways of getting the files wrong.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "datasets/demo_set.h"
#include "stages/orient/orient.h"
#include "stages/refine/refine.h"

namespace trunnion::test {

// What is on disk and what the files say of it.
struct PosedDemo {
  demo::DemoOptions options;
  Setup setup;
  Specimen specimen;
  CalibrationRecord record;
  std::vector<orient::OrientStation> stations;  // as the files say
  std::vector<refine::ImageFeatures> features;  // of the image that stands for each station
  std::vector<Pose> truth;                      // of the image that stands for each station
  std::vector<demo::TruePoint> points;          // observations by station, before any confusion
  Camera camera;                                // true
};

PosedDemo posed_demo(const demo::DemoOptions& options);

struct Posed {
  Scene scene;
  std::vector<RingAxis> rings;
};
Posed oriented(const PosedDemo& set, bool calibrated);
refine::RefineResult refined(const PosedDemo& set, bool calibrated);

// Root mean square distance (px) of the true points, seen by `poses`, from where they are seen;
// over the views that `counts` says.
double point_error_px(const PosedDemo& set, const std::function<const Pose&(std::size_t)>& pose_of,
                      const std::function<bool(std::size_t)>& counts);

// Ways of getting files wrong. `at`: the station concerned, of the first ring.
enum class Confusion {
  none,
  half_step,    // step_deg is half the true one
  double_step,  // or twice
  reversed,     // the stage turned the other way
  skipped,      // one station was never shot: all images from there on are one too early
  exchanged,    // with the next one
  exchanged_far,
  exchanged_between,  // with one of the second ring
  rings_exchanged,    // the first two
  twice_round,        // the first ring has twice the stations at half the step, and was shot twice
  copied_later,       // the image of `at` stands for the next station, too
  copied_earlier,
  foreign,    // the image of another specimen
  mixed,      // five of them in each ring
  bumped,     // the specimen moves before a station in the middle of the set
  wrong_deg,  // this station is out by 3 degrees
  slipped     // from here on by 4 degrees
};
const char* name_of(Confusion kind);
// `other`: a set of another specimen, for foreign images.
// View before which a bumped specimen moves.
std::size_t bumped_view(const PosedDemo& set, std::size_t at);
PosedDemo confused(const PosedDemo& set, Confusion kind, std::size_t at, const PosedDemo* other);

}  // namespace trunnion::test

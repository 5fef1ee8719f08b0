// Features of a bumpy specimen whose points are seen from the stations of a rig, with noise in
// position, wrong matches and points that hide behind the specimen; for tests of the refinement.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "core/angle.h"
#include "stages/orient/orient.h"
#include "stages/refine/refine.h"

namespace trunnion::test {

struct SimulatedRing {
  std::string name = "ring";
  double true_elevation = radians(27.0);
  double given_elevation = radians(22.0);
  double true_tilt = 0;  // rad
  double given_tilt = 0;
  double start = 0;         // rad
  double reference_mm = 0;  // given, and true but for a sigma of 0.01 mm
};

struct Simulation {
  std::vector<SimulatedRing> rings{SimulatedRing{}};
  int stations = 24;  // a ring
  int points = 1500;
  double radius_mm = 6.0;
  double noise_px = 0.3;
  double true_distance = 205.0;
  double told_distance = 200.0;
  Eigen::Vector2d true_offset_mm{0.2, -0.1};
  bool telecentric = false;
  TiltAxis true_second;
  NominalTilt told_second;
  // Faults; `at` is the view concerned.
  std::size_t at = 0;
  double wrong_angle = 0;
  Pose bump;
  bool bumped = false;
  bool reversed = false;
};

struct SimulatedSet {
  Scene scene;
  std::vector<RingAxis> rings;
  std::vector<refine::ImageFeatures> features;
  std::vector<Pose> truth;  // without fault
  Findings findings;        // of orient
};

SimulatedSet simulate(const Simulation& simulation, unsigned seed);

// The worst view's rotation (rad) and centre (share of the distance) against the truth, after the
// one rotation, shift and scale of the world that no image can show.
std::pair<double, double> worst_errors(const std::vector<View>& views, const SimulatedSet& set);

// The same of rotations alone, and of where the poses put points of the specimen (px, RMS), for
// cameras that see no depth.
std::pair<double, double> telecentric_errors(const refine::RefineResult& result,
                                             const SimulatedSet& set);

}  // namespace trunnion::test

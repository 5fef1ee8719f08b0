// How well poses agree with others, up to what no image can show: a similarity of the world.
#pragma once

#include <vector>

#include "core/pose.h"

namespace trunnion::test {

struct PoseAgreement {
  double rotation = 0;  // rad, the worst view's, after the best common rotation of the world
  double centre = 0;    // the worst view's, over its distance from the middle of the true centres,
                        // after the best similarity
};
PoseAgreement agreement(const std::vector<Pose>& found, const std::vector<Pose>& truth);

}  // namespace trunnion::test

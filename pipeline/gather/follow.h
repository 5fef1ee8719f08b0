// trunnion gather --follow: the frames of a card or of a folder that a camera fills are judged
// while they arrive, so that a fault is said while the specimen is still on the stage.
#pragma once

#include <functional>
#include <string>

#include "pipeline/gather/gather_run.h"

namespace trunnion {

struct FollowOptions {
  double every_s = 1;  // between two scans of the folders
  double idle_s = 0;   // without a new frame, after which it ends; 0: never
};

// Returns once no frame came for `idle_s`; nothing is written. Throws Error::Kind::interrupted once
// the user asked to stop. `say` gets each finding once, as a line.
void follow_frames(const GatherRequest& request, const FollowOptions& options,
                   const std::function<void(const Finding&)>& say);

}  // namespace trunnion

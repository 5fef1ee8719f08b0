// The visual hull of the prepared set: prepared/hull.glb, hull.ply and hull.json.
#pragma once

#include <string>

#include "pipeline/set_run.h"

namespace trunnion {

// From the masks in prepared/ and the final poses. Returns what to say of it beside its time.
std::string make_hull(SetRun& set);

}  // namespace trunnion

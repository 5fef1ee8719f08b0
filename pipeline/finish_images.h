// Gives finished images their final names: adds metadata to the encoded pixels and renames them
// into prepared/images/.
#pragma once

#include "core/scene.h"
#include "pipeline/finishing.h"

namespace trunnion {

// Annotates what changed; everything else stays untouched. Findings go to the outcome.
void finish_images(const Finishing& set, PrepareOutcome& outcome);

// The findings of all images; a note that is the same for several becomes one for the set, which
// tells their number.
Findings notes_once(const std::vector<Findings>& by_image);

}  // namespace trunnion

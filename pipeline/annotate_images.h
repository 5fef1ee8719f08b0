// Annotates the prepared images: adds metadata to the encoded pixels and renames them into
// prepared/images/.
#pragma once

#include "pipeline/set_run.h"

namespace trunnion {

// Annotates what changed; everything else stays untouched. Findings go to the outcome. `own`: name
// and settings of the step.
void annotate_images(SetRun& set, const Fingerprint& own);

// Content hash of the single frame that gives a station's metadata; empty where there is none.
std::string frame_hash(const SetRun& set, const ingest::StationImage& station);

// The findings of all images; a note that is the same for several becomes one for the set, which
// gives their number.
Findings notes_once(const std::vector<Findings>& by_image);

}  // namespace trunnion

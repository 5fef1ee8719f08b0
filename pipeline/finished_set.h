// The results of the set-level end of prepare, kept in the journal. A run in which no image,
// setting or output has changed takes them from there and writes nothing.
#pragma once

#include <string>

#include "pipeline/finishing.h"

namespace trunnion {

// Hash of all that the set-level stages depend on; `outcome` as it is before them.
std::string set_fingerprint(const Finishing& set, const PrepareOutcome& outcome);

// Completes `outcome` where nothing has changed; else false, and `outcome` is as before.
bool restore_finished(const Finishing& set, const std::string& fingerprint,
                      PrepareOutcome& outcome);

void record_finished(const Finishing& set, const std::string& fingerprint,
                     const PrepareOutcome& outcome);

}  // namespace trunnion

// What the finishing steps of the set found, kept in the journal: a run that finds every image,
// every setting and every output as they were takes it from there and writes nothing.
#pragma once

#include <string>

#include "pipeline/set_run.h"

namespace trunnion {

// Hash of all that the finishing steps depend on; set.outcome as it is before them.
std::string set_fingerprint(const SetRun& set);

// Completes set.outcome where nothing has changed; else false, and it is as before.
bool restore_set(SetRun& set, const std::string& fingerprint);

void record_set(const SetRun& set, const std::string& fingerprint);

}  // namespace trunnion

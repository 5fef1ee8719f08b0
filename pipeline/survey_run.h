// The survey of a set: which stations, from the journal where nothing changed, and what happens
// where an image can't be read.
#pragma once

#include <string>

#include "pipeline/set_run.h"

namespace trunnion {

// Fills set.survey and its fingerprint. A set with an undecodable image among the surveyed ones
// must not end: it is taken from set.images and becomes a finding. `own`: name and settings of the
// step. Returns what to say of it.
std::string run_survey(SetRun& set, const Fingerprint& own);

}  // namespace trunnion

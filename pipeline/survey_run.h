// The survey of a set as prepare and check run it: which stations, from the journal where nothing
// changed, and what happens where an image can't be read.
#pragma once

#include <string>
#include <vector>

#include "core/survey_result.h"
#include "pipeline/decoded_images.h"
#include "pipeline/journal.h"
#include "pipeline/prepare.h"
#include "pipeline/progress.h"
#include "pipeline/workspace.h"
#include "stages/ingest.h"

namespace trunnion {

struct SurveyRun {
  SurveyResult result;
  std::string fingerprint;
};

// A set with an undecodable image among the surveyed ones must not end: it is taken from `images`
// and becomes a finding. `decoded` keeps what was decoded, where given.
SurveyRun run_survey(const Workspace& workspace, std::vector<StationImage>& images,
                     Journal& journal, DecodedImages* decoded, Progress& progress,
                     SetOutcome& outcome);

}  // namespace trunnion

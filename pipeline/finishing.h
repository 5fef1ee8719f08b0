// The set-level end of prepare: mask confidence, refine, annotate, export, manifest, report. Each
// image waits encoded until its pose is final; then metadata is added and it gets its final name.
#pragma once

#include <vector>

#include "config/calibration_record.h"
#include "core/survey_result.h"
#include "pipeline/image_pass.h"
#include "pipeline/prepare.h"
#include "stages/compare_stations.h"

namespace trunnion {

struct Finishing {
  const Workspace& workspace;
  const SurveyResult& survey;
  const std::vector<ImageItem>& items;    // one a view of the scene, in its order
  const std::vector<RingAxis>& rings;     // axes used by orient
  const std::vector<StationLook>& looks;  // one a view: exposure and sharpness among the stations
  Journal& journal;
  OutputStore& outputs;
  Progress& progress;
  int jobs = 1;
  std::string date;  // ISO 8601, for the report only
};

// Completes `outcome` (scene, findings, outputs, timings); outcome.scene holds the priors.
void finish_set(const Finishing& set, PrepareOutcome& outcome);

}  // namespace trunnion

// Compares what came back with the plan, and looks for zones that no slice had in focus.
#pragma once

#include <string>
#include <vector>

#include "core/finding.h"
#include "core/mask_measures.h"
#include "core/survey_result.h"
#include "pipeline/progress.h"
#include "pipeline/workspace.h"
#include "stages/blur_bands.h"
#include "stages/ingest.h"

namespace trunnion {

// Masks by contrast take in a few dark pixels beside the outline that look like blur, up to 0.7 %
// of the specimen on clean demo sets; bands that matter are over 5 %.
inline const BlurBandSettings kBlurBands{
    .max_relative_contrast = 0.15, .min_patch_percent = 1.0, .min_area_percent = 1.5};

// Mask measures of one image of the set.
struct CaptureMeasure {
  std::size_t image = 0;  // index into the set's images
  MaskMeasures mask;
};

// Findings against WORKSPACE/plan.json; empty where there is no plan.
Findings check_against_plan(const Workspace& workspace, const std::vector<StationImage>& images,
                            const SurveyResult& survey,
                            const std::vector<CaptureMeasure>& measures);

// Masks the surveyed images, for `check`: their measures, and findings where a zone of the specimen
// is blurred. One image a worker at a time.
struct CloserLook {
  std::vector<CaptureMeasure> measures;
  Findings findings;
};
CloserLook look_closer(const Workspace& workspace, const std::vector<StationImage>& images,
                       const SurveyResult& survey, Progress& progress);

}  // namespace trunnion

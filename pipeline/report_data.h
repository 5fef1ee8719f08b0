// Gathers what the report shows from the finished set.
#pragma once

#include "pipeline/finishing.h"
#include "stages/mask_confidence.h"
#include "stages/report.h"

namespace trunnion {

ReportData report_data(const Finishing& set, const PrepareOutcome& outcome,
                       const MaskConfidence& confidence);

}  // namespace trunnion

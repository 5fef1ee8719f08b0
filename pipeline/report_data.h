// Gathers what the report shows from what the steps found.
#pragma once

#include "pipeline/set_run.h"
#include "stages/report.h"

namespace trunnion {

ReportData report_data(const SetRun& set);

// As much of a report as the judgement of check needs.
ReportData check_data(const SetRun& set);

}  // namespace trunnion

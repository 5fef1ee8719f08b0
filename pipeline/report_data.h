// Gathers what the report shows from what the steps found.
#pragma once

#include "pipeline/set_run.h"
#include "stages/report/report.h"

namespace trunnion {

report::ReportData report_data(const SetRun& set);

// As much of a report as the judgement of check needs.
report::ReportData check_data(const SetRun& set);

}  // namespace trunnion

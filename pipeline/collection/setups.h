// The calibration library of a collection: which specimens stand on which record of which setup.
#pragma once

#include <vector>

#include "config/collection.h"
#include "core/finding.h"
#include "pipeline/collection/specimens.h"

namespace trunnion::collection {

// Specimens whose poses stand on another record than their setup has now, each earlier record
// compared with the one of now (stages/compare_calibrations: in pixels, beside what the
// uncertainties alone would make); setups without a record; folders whose specimens have several
// setups. The earlier record is taken from the report of one of its specimens.
Findings setup_findings(const Collection& collection, const std::vector<SpecimenState>& specimens);

}  // namespace trunnion::collection

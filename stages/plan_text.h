// A plan as people read it on a terminal: the cautions first, then the numbers.
#pragma once

#include <string>

#include "config/capture_plan.h"

namespace trunnion {

// `rows`: setups in the comparison table, best first; 0 shows all.
std::string plan_text(const CapturePlan& plan, std::size_t rows = 12);

}  // namespace trunnion

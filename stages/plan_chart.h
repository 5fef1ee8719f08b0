// The chart of a plan (SVG): depth of field and resolution over aperture for the chosen setup, with
// the chosen point and the wish.
#pragma once

#include <string>

#include "stages/plan.h"

namespace trunnion {

// `setup` is the chosen one. Photographic lenses run over f-numbers, objectives over numerical
// apertures (the chosen point is the objective's own).
std::string plan_chart_svg(const CapturePlan& plan, const PlanWish& wish, const Setup& setup,
                           const PlanSettings& settings);

}  // namespace trunnion

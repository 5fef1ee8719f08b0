// Advice on a plan: requests that cannot be met and what alternatives cost, common practice, risks
// to poses and masks, and cautions where the plan touches people or the specimen (docs/safety.md).
#pragma once

#include "stages/plan.h"

namespace trunnion {

Findings plan_advice(const CapturePlan& plan, const PlanWish& wish, const PlanSettings& settings);

}  // namespace trunnion

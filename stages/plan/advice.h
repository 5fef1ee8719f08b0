// Advice on a plan: requests that cannot be met and what alternatives cost, common practice, risks
// to poses and masks, and what this plan asks of people and specimen. The cautions that hold for
// every capture are not advice: core/cautions.h.
#pragma once

#include "config/setup.h"
#include "stages/plan/plan.h"

namespace trunnion::plan {

Findings plan_advice(const CapturePlan& plan, const PlanWish& wish, const PlanSettings& settings,
                     const Setup& chosen);

}  // namespace trunnion::plan

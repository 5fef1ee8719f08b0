// The page of the report, made by the build from web/src/.
#pragma once

#include "core/page.h"

namespace trunnion::report {

Page page();

}  // namespace trunnion::report

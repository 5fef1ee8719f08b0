// The page of a collection, made by the build from web/src/.
#pragma once

#include "core/page.h"

namespace trunnion::collection {

Page page();

}  // namespace trunnion::collection

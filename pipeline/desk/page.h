// The page of the desk, made by the build from web/src/.
#pragma once

#include "core/page.h"

namespace trunnion::desk {

Page page();

}  // namespace trunnion::desk

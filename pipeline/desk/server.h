// The desk over HTTP: what is asked for, by whom, and what is answered. Paths of files never come
// from a request: pictures are found by the name of their view, files of the report by a list.
#pragma once

#include <memory>

#include "pipeline/desk/access.h"
#include "pipeline/desk/connections.h"
#include "pipeline/desk/workbench.h"

namespace trunnion::desk {

// Adds what the desk answers to `server`; both references must outlive it.
void add_routes(BoundedServer& server, Access& access, Workbench& bench);

}  // namespace trunnion::desk

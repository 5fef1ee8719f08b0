// Originals are never written: no folder that a run writes into may be one that it reads from,
// whatever link or mount leads there.
#pragma once

#include "pipeline/workspace.h"

namespace trunnion {

// Throws a data error that names the output folder where it is, holds or lies in a folder of
// inputs. Links that lead elsewhere are followed and fine.
void guard_inputs(const Workspace& workspace);

// True where `file` is a link, or one of several names of a file: writing into it in place would
// change another file. False where nothing stands there.
bool is_shared(const std::filesystem::path& file);

}  // namespace trunnion

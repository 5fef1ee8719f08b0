// The streaming pass: each image is decoded once, goes through the image steps while it is in
// memory, and what is missing of its products is made (image_steps.h). A bounded oneTBB pipeline
// keeps at most one image a worker in flight, and one more that arrives while that is written;
// results stay in the order of the set. Finished files are brought to the disk and recorded by a
// thread of their own.
#pragma once

#include <string>

#include "pipeline/set_run.h"

namespace trunnion {

// Runs the pass over set.items; faulty images are marked, the others complete. Returns what to say
// of it. For check the images are only examined, and nothing is written.
std::string run_image_pass(SetRun& set);

}  // namespace trunnion

// What the allocator does with the memory of images that are no longer needed.
#pragma once

namespace trunnion {

// Images come and go by the hundred megabytes, always of the same few sizes. Left to itself the
// allocator hands each back to the system and has the next one's pages cleared again, a tenth of a
// run's CPU time (docs/decisions/memory.md). To be called before anything else is.
void keep_freed_memory();

// Gives back what was kept: after work of other sizes, and now and then, since pieces kept for
// reuse don't fit each other and grow in number.
void return_freed_memory();

}  // namespace trunnion

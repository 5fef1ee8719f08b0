#include "pipeline/command_line.h"

#ifdef __GLIBC__
#include <malloc.h>
#endif

namespace {

// Images come and go by the hundred megabytes, always of the same few sizes. Left to itself the
// allocator hands each back to the system and has the next one's pages cleared anew, a tenth of a
// run's CPU time (docs/decisions.md).
void keep_freed_memory() {
#ifdef __GLIBC__
  mallopt(M_ARENA_MAX, 1);
  mallopt(M_MMAP_MAX, 0);
  mallopt(M_TRIM_THRESHOLD, -1);
#endif
}

}  // namespace

int main(int argc, char** argv) {
  keep_freed_memory();
  return trunnion::run_command_line(argc, argv);
}

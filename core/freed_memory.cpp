#include "core/freed_memory.h"

#include <cstdlib>  // defines __GLIBC__

#ifdef __GLIBC__
#include <malloc.h>
#endif

namespace trunnion {

void keep_freed_memory() {
#ifdef __GLIBC__
  mallopt(M_ARENA_MAX, 1);
  mallopt(M_MMAP_MAX, 0);
  mallopt(M_TRIM_THRESHOLD, -1);
#endif
}

void return_freed_memory() {
#ifdef __GLIBC__
  malloc_trim(0);
#endif
}

}  // namespace trunnion

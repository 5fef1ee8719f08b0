// How many threads the work of this process may take: the one budget of all its parts.
#pragma once

#include <tbb/global_control.h>

#include <cstddef>

namespace trunnion {

inline std::size_t threads_at_once() {
  return tbb::global_control::active_value(tbb::global_control::max_allowed_parallelism);
}

}  // namespace trunnion

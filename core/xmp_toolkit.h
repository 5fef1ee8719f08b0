// The lock of Exiv2's XMP toolkit.
#pragma once

#include <mutex>

namespace trunnion {

// Exiv2 0.27 takes the toolkit's lock only where namespaces are registered; packets are parsed and
// written without it, and two threads at that fail now and then. So one at a time: hold this while
// Exiv2 reads or writes metadata.
std::unique_lock<std::mutex> packets_one_at_a_time();

}  // namespace trunnion

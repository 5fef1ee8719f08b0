// How much memory a run of prepare takes, and how much there is: what decides how many run at once.
#pragma once

#include <cstdint>

namespace trunnion::collection {

// Peak resident memory of a run, MB, for images of so many megapixels, worked on by so many
// threads; the number of stations hardly matters, since images in flight are bounded. The
// coefficients and where they were measured stand in memory.cpp.
double run_megabytes(double megapixels, int threads);

// What the system can still give, MB: MemAvailable of /proc/meminfo (proc(5)), or what is left of
// the control group's memory.max (cgroups(7), version 2) where that is less.
double available_megabytes();

}  // namespace trunnion::collection

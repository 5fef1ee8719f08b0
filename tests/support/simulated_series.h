// Invented focus series for stages/judge_series: previews of a textured, uneven body in front of a
// backdrop, each point blurred by its distance from the plane of focus; with one kind of fault.
// The blur grows by 0.25 to 0.6 px of the preview a step, noise is that of 8 bits and a little
// more, light varies by 1 %. Seeds: card_seeds.h.
#pragma once

#include <cstdint>
#include <vector>

#include "stages/judge_series/judge_series.h"

namespace trunnion::test {

enum class SeriesFault { none, flash, exposure, twice, gap, moved, near_depth, far_depth };

struct SimulatedSeries {
  std::vector<judge_series::SeriesFrame> frames;
  std::size_t faulty = 0;  // frame with the fault; of a gap the one behind it
};

SimulatedSeries simulated_series(SeriesFault fault, std::uint64_t seed);

}  // namespace trunnion::test

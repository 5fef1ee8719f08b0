// What a hull says: its extents, and how it agrees with the silhouettes it was made from.
#pragma once

#include "stages/hull/carve.h"

namespace trunnion::hull {

// Draws the hull into every view: fills hull.views and the sigma of the outline.
void agree(const std::vector<Field>& fields, const Ball& ball, Hull& hull);

// Fills hull.measures, of which pixel_mm and outline_px are known.
void measure(const std::vector<HullView>& views, const std::vector<Field>& fields, Hull& hull);

void add_findings(const std::vector<HullView>& views, Hull& hull);

}  // namespace trunnion::hull

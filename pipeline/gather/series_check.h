// The fused images of a set against the series that were gathered for them (series.csv).
#pragma once

#include <filesystem>
#include <vector>

#include "config/review.h"
#include "core/finding.h"
#include "stages/ingest/ingest.h"

namespace trunnion {

// Gives each image the first frame of its series and their number, where it has none, so that date
// and exposure come back. Reported: series whose fused image is still to come (less excluded
// stations), images that were
// fused from another number of frames than the series has, or whose own date lies outside it.
// Nothing where the workspace has no series.csv.
void use_series(const std::filesystem::path& workspace, std::vector<ingest::StationImage>& images,
                const Review& review, Findings& findings);

}  // namespace trunnion

// The report page of a lens calibration: one HTML file with inline SVG, no scripts, nothing loaded
// from elsewhere.
#pragma once

#include <string>

#include "stages/calibrate_lens.h"

namespace trunnion::lens {

std::string report_page(const LensResult& result, const Setup& setup);

}  // namespace trunnion::lens

// Target: a board of any kind as SVG and PDF in true size, with rulers to check the print.
//
// The page is the board with a margin; square (0, 0) at the top left is dark, so a board with one
// odd and one even count of inner corners has one numbering only (core/checkerboard.h). Both files
// hold the same drawing: lengths in mm (SVG) and in points of 1/72 inch (PDF, ISO
// 32000-1, 8.3.2.3).
#pragma once

#include <string>

#include "core/checkerboard.h"
#include "core/finding.h"

namespace trunnion::target {

struct TargetOptions {
  BoardPattern pattern;
  double margin_mm = 0;  // white around the board; 0: one square and a half, at least 10 mm
};

struct Target {
  double width_mm = 0;  // of the page
  double height_mm = 0;
  double ruler_mm = 0;  // length of the rulers
  std::string svg;
  std::string pdf;
  Findings findings;  // what paper can't do
};

// Throws a data error for boards larger than 2 m or squares under 0.05 mm.
Target make_target(const TargetOptions& options);

}  // namespace trunnion::target

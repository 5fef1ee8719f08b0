// Part of ingest: the single frames behind the fused images. A frame holds what fusion programs
// drop (date, exposure, maker note), and the number of frames of a series is worth recording.
//
// output.frame is a path with {station}, {ring} and at most two *, in folder or file names:
//   "frames/{ring}_{station}.jpg"   this frame is read; nothing is known of the number
//   "frames/{ring}/{station}/*.tif" the first by name is read, all are counted
// A number that the user gives (frames of a ring or of a row of the table) overrides counting.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "core/finding.h"
#include "stages/ingest/ingest.h"

namespace trunnion::ingest {

// Files below `workspace` that fit the pattern, sorted, relative with forward slashes.
std::vector<std::string> matching_frames(const std::filesystem::path& workspace,
                                         const std::string& pattern, const std::string& ring,
                                         int station);

// Fills frame and frames of the images that do not have them. A station without a frame and a
// number that contradicts the one given become findings.
void find_frames(const std::filesystem::path& workspace, const std::string& pattern,
                 std::vector<StationImage>& images, Findings& findings);

}  // namespace trunnion::ingest

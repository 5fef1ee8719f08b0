// Ingest: finds the fused images of every ring and station, reads their headers and says what is
// wrong with the set before any pixel is decoded.
//
// Reported by name: a station found twice, a gap in a ring, mixed sizes, channels or bit depths, an
// image identical to another, an unreadable or unsuitable file, a capture table with mistakes, a
// station without the single frame that output.frame promises (stages/ingest/frames.h). A station
// that the review excludes counts as not planned: its file is not opened.
#pragma once

#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "config/review.h"
#include "config/settings.h"
#include "core/finding.h"
#include "core/hash.h"
#include "core/image_io.h"

namespace trunnion::ingest {

struct StationImage {
  std::string name;            // unique in the set, from output.name
  std::filesystem::path file;  // absolute
  std::string source;          // relative to the workspace
  std::string ring;
  std::size_t ring_index = 0;
  int station = 0;
  double stage_angle = 0;  // rad, signed by the direction of turning
  ImageInfo info;
  std::uintmax_t bytes = 0;
  std::string frame;  // a single frame of the series, relative to the workspace; empty: not given
  int frames = 0;     // fused into the image; 0: unknown
  double tilt = 0;    // rad, about the second axis
  std::optional<double> reference_mm;  // rail position of the reference slice
};

struct IngestResult {
  std::vector<StationImage> images;  // usable ones, ring by ring, by station
  int stations_expected = 0;         // less the excluded ones
  Findings findings;
};

// Throws a data error only where no usable image is left or the capture table is unusable; all else
// becomes findings, and faulty images are left out. Identical images are found by size, a sample
// and hash (`hash` may know it already); the later one is left out.
IngestResult ingest(
    const std::filesystem::path& workspace, const Specimen& specimen, const Settings& settings,
    const std::function<std::string(const std::filesystem::path&)>& hash = hash_file,
    const Review& review = {});

}  // namespace trunnion::ingest

// Compare stations: one image's exposure and sharpness against the others of its set, whatever was
// planned. A lamp that ages, a flash that had not recycled, a series that stopped early or shook.
//
// Exposure e of a station is its level over the set's median. The level is that of the backdrop
// (measure_view.h) where every image has one. Else it is the specimen's median brightness, and
// since that changes as the specimen turns, e is taken against the mean of the two neighbours on
// the ring. Usual scatter: from what lies between each station and the mean of its neighbours, d,
// which a slow drift does not touch: sigma = 1.4826 median|d| / sqrt(1.5). What exceeds the limit
// and `sigmas` of that scatter is reported. Where neighbours are the measure, a wrong station
// upsets theirs too: only the greatest of three counts.
//
// Sharpness is compared within the ring, since other elevations show other sides.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "core/finding.h"
#include "core/station.h"
#include "core/view_measures.h"

namespace trunnion::compare_stations {

struct MeasuredStation {
  std::string file;  // as findings name it
  StationId at;      // neighbours are found by it
  ViewMeasures measures;
};

struct StationSettings {
  // Of the values in the file: a quarter stop in sRGB-encoded images, 2^(0.25 / 2.2) = 1.08.
  double max_exposure_change_percent = 8;
  double exposure_sigmas = 6;           // the scatter itself may be large on a dark backdrop
  double max_clipped_percent = 1;       // of the specimen
  double min_relative_sharpness = 0.6;  // of the ring's median
};

struct RelativeMeasures {
  std::optional<double> exposure;   // relative to the set (or the neighbours), 1 is usual
  std::optional<double> sharpness;  // relative to the median of the set
};

struct StationComparison {
  std::vector<RelativeMeasures> relative;  // one a station, in their order
  bool by_backdrop = false;                // what exposure was read off
  Findings findings;
};

StationComparison compare_stations(const std::vector<MeasuredStation>& stations,
                                   const StationSettings& settings = {});

}  // namespace trunnion::compare_stations

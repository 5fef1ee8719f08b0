#include "stages/compare_stations/compare_stations.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "core/median.h"

namespace trunnion::compare_stations {
namespace {

constexpr std::size_t kFewest = 4;  // stations needed to know what is usual

std::vector<StationNeighbours> neighbours_of(const std::vector<MeasuredStation>& stations) {
  std::vector<StationId> places;
  for (const MeasuredStation& station : stations) places.push_back(station.at);
  return station_neighbours(places);
}

// 1.4826 makes the median magnitude a standard deviation of a normal distribution.
double usual_scatter(const std::vector<double>& changes) {
  std::vector<double> sizes;
  for (const double change : changes) sizes.push_back(std::abs(change));
  return 1.4826 * median_of(sizes);
}

// Levels of the backdrop over their median; the scatter of one of them.
double expose_by_backdrop(const std::vector<MeasuredStation>& stations,
                          std::vector<RelativeMeasures>& relative) {
  std::vector<double> levels;
  for (const MeasuredStation& station : stations) {
    levels.push_back(station.measures.backdrop_level);
  }
  const double middle = median_of(levels);
  for (std::size_t i = 0; i < levels.size(); ++i) relative[i].exposure = levels[i] / middle;
  std::vector<double> changes;
  for (const StationNeighbours& n : neighbours_of(stations)) {
    const double around = 0.5 * (*relative[n.before].exposure + *relative[n.after].exposure);
    changes.push_back(*relative[n.here].exposure - around);
  }
  return usual_scatter(changes) / std::sqrt(1.5);
}

// Brightness of the specimen over the mean of its neighbours; only the oddest of three stands.
double expose_by_specimen(const std::vector<MeasuredStation>& stations,
                          std::vector<RelativeMeasures>& relative) {
  std::vector<double> changes;
  const std::vector<StationNeighbours> all = neighbours_of(stations);
  for (const StationNeighbours& n : all) {
    const double around = 0.5 * (stations[n.before].measures.specimen_level +
                                 stations[n.after].measures.specimen_level);
    if (!n.near || around <= 0) continue;
    relative[n.here].exposure = stations[n.here].measures.specimen_level / around;
    changes.push_back(*relative[n.here].exposure - 1.0);
  }
  return usual_scatter(changes);
}

bool oddest_of_three(const std::vector<RelativeMeasures>& relative, const StationNeighbours& n) {
  const auto away = [&](std::size_t i) {
    return std::abs(relative[i].exposure.value_or(1.0) - 1.0);
  };
  return away(n.here) >= away(n.before) && away(n.here) >= away(n.after);
}

// A number with as many decimals as distinguish it from the limit it exceeds, itself given with
// `digits`: "1.04 %" where 1 % is allowed.
std::string beyond(double found, double limit, int digits) {
  constexpr int kMostDigits = 6;
  std::string text;
  for (int more = digits; more <= kMostDigits; ++more) {
    text = fmt::format("{:.{}f}", found, more);
    const bool above = std::stod(text) > limit;
    const bool below = std::stod(text) < limit;
    if (found > limit ? above : below) break;
  }
  return text;
}

void judge_exposure(const std::vector<MeasuredStation>& stations, double scatter,
                    const StationSettings& settings, StationComparison& result) {
  const double limit =
      std::max(settings.max_exposure_change_percent / 100.0, settings.exposure_sigmas * scatter);
  std::vector<bool> judged(stations.size(), result.by_backdrop);
  if (!result.by_backdrop) {
    for (const StationNeighbours& n : neighbours_of(stations)) {
      judged[n.here] = oddest_of_three(result.relative, n);
    }
  }
  for (std::size_t i = 0; i < stations.size(); ++i) {
    const double change = result.relative[i].exposure.value_or(1.0) - 1.0;
    if (!judged[i] || std::abs(change) <= limit) continue;
    result.findings.push_back(
        {Severity::doubt, "exposure", stations[i].file,
         fmt::format("The exposure is {}{} % from {} ({:.0f} % is allowed).",
                     change < 0 ? "-" : "+",
                     beyond(100.0 * std::abs(change), std::round(100.0 * limit), 0),
                     result.by_backdrop ? "the set's" : "its neighbours'", 100.0 * limit),
         "Capture it again with exposure and flash power fixed by hand, the flash fully recycled "
         "and the rig shaded; or balance it before fusing."});
  }
}

void judge_clipping(const std::vector<MeasuredStation>& stations, const StationSettings& settings,
                    Findings& findings) {
  for (const MeasuredStation& station : stations) {
    const double percent = 100.0 * station.measures.clipped_high;
    if (percent <= settings.max_clipped_percent) continue;
    findings.push_back(
        {Severity::doubt, "exposure", station.file,
         fmt::format("{} % of the specimen is overexposed ({:g} % is allowed).",
                     beyond(percent, settings.max_clipped_percent, 1),
                     settings.max_clipped_percent),
         "Leave a stop of headroom, since fusing pushes highlights up, and soften the light."});
  }
}

void judge_sharpness(const std::vector<MeasuredStation>& stations, const StationSettings& settings,
                     StationComparison& result) {
  std::map<std::string, std::vector<double>> rings;
  std::vector<double> all;
  for (const MeasuredStation& station : stations) {
    if (station.measures.sharpness <= 0) continue;
    rings[station.at.ring].push_back(station.measures.sharpness);
    all.push_back(station.measures.sharpness);
  }
  const double middle = median_of(all);
  if (middle <= 0) return;
  for (std::size_t i = 0; i < stations.size(); ++i) {
    const MeasuredStation& station = stations[i];
    if (station.measures.specimen_level <= 0) continue;
    result.relative[i].sharpness = station.measures.sharpness / middle;
    const std::vector<double>& ring = rings[station.at.ring];
    if (ring.size() < 3) continue;
    const double relative = station.measures.sharpness / median_of(ring);
    if (relative >= settings.min_relative_sharpness) continue;
    result.findings.push_back(
        {Severity::doubt, "sharpness", station.file,
         fmt::format("It is only {} % as sharp as its ring ({:g} % is allowed).",
                     beyond(100.0 * relative, 100.0 * settings.min_relative_sharpness, 0),
                     100.0 * settings.min_relative_sharpness),
         "Check for a series that stopped early or for a frame with camera shake, then fuse or "
         "capture it again."});
  }
}

}  // namespace

StationComparison compare_stations(const std::vector<MeasuredStation>& stations,
                                   const StationSettings& settings) {
  StationComparison result;
  result.relative.resize(stations.size());
  judge_clipping(stations, settings, result.findings);
  judge_sharpness(stations, settings, result);
  if (stations.size() < kFewest) return result;
  result.by_backdrop = std::all_of(stations.begin(), stations.end(), [](const auto& station) {
    return station.measures.backdrop_level > 0;
  });
  const double scatter = result.by_backdrop ? expose_by_backdrop(stations, result.relative)
                                            : expose_by_specimen(stations, result.relative);
  judge_exposure(stations, scatter, settings, result);
  return result;
}

}  // namespace trunnion::compare_stations

#include "pipeline/gather/judge_parts.h"

#include <fmt/format.h>

#include <algorithm>
#include <filesystem>

#include "core/station.h"
#include "stages/judge_series/judge_series.h"

namespace trunnion {
namespace {

using judge_series::Fault;

std::string own_name(const gather::Frame& frame) {
  return std::filesystem::path(frame.file).filename().string();
}

struct Words {
  std::string what;
  std::string remedy;
  std::string brief;  // for series.csv
};

Words words_of(const judge_series::FaultyFrame& fault, const std::string& name,
               const std::string& station) {
  switch (fault.fault) {
    case Fault::flash:
      return {fmt::format("{} of {} is black: the light did not fire.", name, station),
              "Shoot this station again, or fuse without it if its neighbours overlap.",
              fmt::format("{} black", name)};
    case Fault::exposure:
      return {fmt::format("{} of {} has {:.0f} % of the brightness of the frames around it.", name,
                          station, 100 * fault.measure),
              "Check it; where the light failed, shoot this station again.",
              fmt::format("{} of another exposure", name)};
    case Fault::twice:
      return {
          fmt::format("{} of {} shows the same plane of focus as the frame before.", name, station),
          "It does no harm in fusing; check whether the rail skipped a step.",
          fmt::format("{} twice", name)};
    case Fault::gap:
      return {fmt::format("A focus step is missing before {} of {}.", name, station),
              "Check the fused image for a blurred zone there, or shoot this station again.",
              fmt::format("step missing before {}", name)};
    case Fault::moved:
      return {fmt::format("{} of {} is shifted relative to the frames before and after it.", name,
                          station),
              "Take it out before fusing; let vibrations settle for longer.",
              fmt::format("{} moved", name)};
    case Fault::near_depth:
      return {fmt::format("The first frame of {} ({}) is already sharp in {:.0f} % of what "
                          "has detail: the series began behind the nearest part of the specimen.",
                          station, name, 100 * fault.measure),
              "Shoot this station again and begin the series nearer to the camera.",
              "near end not covered"};
    case Fault::far_depth:
      return {
          fmt::format("The last frame of {} ({}) is still sharp in {:.0f} % of what has detail: "
                      "the series ended before the farthest part of the specimen.",
                      station, name, 100 * fault.measure),
          "Shoot this station again and end the series farther from the camera.",
          "far end not covered"};
  }
  return {};
}

SeriesRow* row_of_part(const gather::Part& part, const std::vector<gather::Frame>& frames,
                       std::vector<SeriesRow>& rows) {
  const std::string first = own_name(frames[part.first]);
  for (SeriesRow& row : rows) {
    if (row.of_station() && row.first == first && row.frames == static_cast<int>(part.frames())) {
      return &row;
    }
  }
  return nullptr;
}

}  // namespace

void judge_parts(const std::vector<gather::Frame>& frames, const gather::Gathering& gathering,
                 std::vector<SeriesRow>& rows, Findings& findings) {
  for (const gather::Part& part : gathering.parts) {
    SeriesRow* row = part.used ? row_of_part(part, frames, rows) : nullptr;
    if (row == nullptr) continue;
    std::vector<judge_series::SeriesFrame> series;
    for (std::size_t i = part.first; i <= part.last; ++i) {
      PreviewGrids grids = frames[i].grids;
      grids.grey = frames[i].grey;
      series.push_back({std::move(grids), frames[i].time_s, frames[i].number});
    }
    const std::string station = station_text(row->ring, row->station);
    for (const auto& fault : judge_series::judge_series(series, row->state == "whole")) {
      const std::size_t at = part.first + fault.frame;
      // Said with the boundaries already, where it hid one.
      if (fault.fault == Fault::flash && std::find(gathering.failed.begin(), gathering.failed.end(),
                                                   at) != gathering.failed.end()) {
        continue;
      }
      const Words words = words_of(fault, own_name(frames[at]), station);
      const bool harmless = fault.fault == Fault::twice;
      findings.push_back({harmless ? Severity::note : Severity::doubt, "gather",
                          own_name(frames[at]), words.what, words.remedy});
      row->doubts += (row->doubts.empty() ? "" : "; ") + words.brief;
    }
  }
}

}  // namespace trunnion

#include "pipeline/gather/series_findings.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cstdlib>
#include <filesystem>

#include "core/station.h"

namespace trunnion {
namespace {

constexpr const char* kGather = "gather";

std::string name_of_frame(const gather::Frame& frame) {
  return std::filesystem::path(frame.file).filename().string();
}

std::string station_name(const SeriesRow& row) {
  return row.station >= 0 ? station_text(row.ring, row.station) : std::string("no station");
}

std::string listed(const std::vector<std::string>& names) {
  constexpr std::size_t kMost = 12;
  const auto end = names.begin() + static_cast<std::ptrdiff_t>(std::min(kMost, names.size()));
  return fmt::format("{}{}", fmt::join(names.begin(), end, ", "),
                     names.size() > kMost ? fmt::format(" and {} more", names.size() - kMost) : "");
}

void add_cut_doubts(const std::vector<gather::Frame>& frames, const gather::Gathering& gathering,
                    Findings& findings) {
  for (const gather::DoubtfulCut& doubt : gathering.doubts) {
    const std::string before = name_of_frame(frames[doubt.before - 1]);
    const std::string after = name_of_frame(frames[doubt.before]);
    findings.push_back(
        {Severity::doubt, kGather, after,
         doubt.made
             ? fmt::format("One series ends after {} and the next begins with {}; the probability "
                           "that this is right is {:.0f} %.",
                           before, after, 100 * doubt.probability)
             : fmt::format(
                   "A series may end after {} and another begin with {} (probability {:.0f} "
                   "%); they were left in one series.",
                   before, after, 100 * doubt.probability),
         "Check both frames before you fuse these series."});
  }
}

void add_part_findings(const std::vector<SeriesRow>& rows, Findings& findings) {
  std::vector<std::string> missing;
  for (const SeriesRow& row : rows) {
    if (row.state == "missing") missing.push_back(station_name(row));
    if (row.state == "incomplete") {
      findings.push_back(
          {Severity::doubt, kGather, row.last,
           fmt::format("The series of {} has {} of {} frames: the card ends with {}.",
                       station_name(row), row.frames, row.planned, row.last),
           "Gather the rest too, or shoot this station again."});
    }
    const bool odd = row.state == "whole" && row.planned > 0 && row.frames != row.planned;
    if (odd) {
      const bool many = std::abs(row.frames - row.planned) > std::max(2, row.planned / 10);
      findings.push_back({many ? Severity::doubt : Severity::note, kGather, row.first,
                          fmt::format("The series of {} has {} frames, but {} were planned.",
                                      station_name(row), row.frames, row.planned),
                          "Check whether a focus step is missing."});
    }
    if (row.of_station()) continue;
    const bool foreign = row.state == "extra";
    findings.push_back({foreign ? Severity::doubt : Severity::note, kGather, row.first,
                        fmt::format("{} to {} ({} frames) were set aside as {}{}.", row.first,
                                    row.last, row.frames,
                                    row.state == "test" ? "test shots"
                                    : foreign           ? "belonging to no station"
                                                        : row.state + " series of ",
                                    row.state == "test" || foreign ? "" : station_name(row)),
                        fmt::format("They are in {}.", row.folder)});
    if (row.certainty < 0.98) {
      findings.back().severity = Severity::doubt;
      findings.back().remedy += " Check them: this is not certain.";
    }
  }
  if (missing.empty()) return;
  findings.push_back(
      {Severity::note, kGather, "",
       fmt::format("{} stations have no series yet: {}.", missing.size(), listed(missing)),
       "Gather the frames of the other cards too, or shoot these stations."});
}

void add_station_doubts(const std::vector<SeriesRow>& rows, Findings& findings) {
  std::vector<std::string> unsure;
  double least = 1;
  for (const SeriesRow& row : rows) {
    if (row.state != "whole" || row.certainty >= 0.98) continue;
    unsure.push_back(station_name(row));
    least = std::min(least, row.certainty);
  }
  if (unsure.empty()) return;
  findings.push_back(
      {Severity::doubt, kGather, "",
       fmt::format("It is not certain which series belongs to which station: {} (as low as {:.0f} "
                   "%).",
                   listed(unsure), 100 * least),
       "Compare their first frames with the stage angles, or give the numbers of frames in the "
       "plan "
       "or in specimen.toml."});
}

}  // namespace

std::string part_doubts(const gather::Gathering& gathering, const gather::Part& part,
                        const std::vector<std::string>& names) {
  std::vector<std::string> doubts;
  for (const gather::DoubtfulCut& doubt : gathering.doubts) {
    if (doubt.before < part.first || doubt.before > part.last + 1) continue;
    doubts.push_back(fmt::format("boundary before {}: {:.0f} %",
                                 doubt.before < names.size() ? names[doubt.before] : "the end",
                                 100 * doubt.probability));
  }
  const auto failed =
      std::count_if(gathering.failed.begin(), gathering.failed.end(),
                    [&](std::size_t i) { return i >= part.first && i <= part.last; });
  if (failed > 0) doubts.push_back(fmt::format("{} failed frames", failed));
  if (doubts.empty() && part.doubtful) doubts.push_back("which station is not certain");
  return fmt::format("{}", fmt::join(doubts, "; "));
}

void add_series_findings(const std::vector<gather::Frame>& frames,
                         const gather::Gathering& gathering, const std::vector<SeriesRow>& rows,
                         Findings& findings) {
  add_cut_doubts(frames, gathering, findings);
  add_station_doubts(rows, findings);
  add_part_findings(rows, findings);
  for (const std::size_t i : gathering.failed) {
    const gather::Frame& frame = frames[i];
    findings.push_back({Severity::doubt, kGather, name_of_frame(frame),
                        fmt::format("{} {}.", name_of_frame(frame),
                                    frame.readable ? "is black: the light did not fire"
                                                   : "can't be read as an image"),
                        "Take it out of its series before fusing, or shoot the station again."});
  }
  for (const std::size_t i : gathering.clock_changes) {
    findings.push_back(
        {Severity::doubt, kGather, name_of_frame(frames[i]),
         fmt::format("The camera's clock jumps by {:.0f} s before {}.",
                     *frames[i].time_s - *frames[i - 1].time_s, name_of_frame(frames[i])),
         "The order follows the file numbers; check the clock."});
  }
}

}  // namespace trunnion

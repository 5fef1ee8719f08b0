#include "pipeline/gather/corrected_series.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "core/error.h"
#include "core/station.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr double kSameTime_s = 1.0;  // of a frame, as series.csv has it in thousandths

[[noreturn]] void refuse(const SeriesRow& row, const std::string& what) {
  const std::string of = row.station >= 0 ? station_text(row.ring, row.station) : row.state;
  throw data_error(fmt::format("{}, line of {} ({} to {}): {}", kCorrectedSeries, of, row.first,
                               row.last, what));
}

gather::PartKind kind_of(const SeriesRow& row) {
  if (row.state == "whole") return gather::PartKind::series;
  if (row.state == "incomplete") return gather::PartKind::partial;
  for (const gather::PartKind kind : {gather::PartKind::repeated, gather::PartKind::aborted,
                                      gather::PartKind::test, gather::PartKind::extra}) {
    if (row.state == gather::name_of(kind)) return kind;
  }
  refuse(row,
         fmt::format("there is no state \"{}\"; use whole, incomplete, repeated, aborted, test "
                     "or extra.",
                     row.state));
}

class Corrections {
 public:
  Corrections(const std::vector<gather::Frame>& frames,
              const std::vector<gather::Expected>& expected)
      : frames_(frames), expected_(expected), taken_(frames.size(), false) {}

  void add(const SeriesRow& row) {
    gather::Part part;
    part.kind = kind_of(row);
    part.used = row.of_station();
    part.first = frame_of(row, row.first, row.first_s);
    part.last = frame_of(row, row.last, row.last_s);
    if (part.last < part.first)
      refuse(row, "the last frame comes before the first; exchange them.");
    if (row.station >= 0) part.expected = station_of(row);
    if (part.used && part.expected < 0) refuse(row, "give ring and station.");
    if (part.used && !stations_.insert(part.expected).second) {
      refuse(row, "the station is given twice; one of the two is \"repeated\" or \"aborted\".");
    }
    for (std::size_t i = part.first; i <= part.last; ++i) {
      if (taken_[i]) refuse(row, fmt::format("{} is in another line too.", name(i)));
      taken_[i] = true;
    }
    parts_.push_back(part);
  }

  // The rest, as gather finds it among the stations that are left.
  gather::Gathering with_the_rest(const gather::GatherOptions& options) const {
    std::vector<gather::Frame> rest;
    std::vector<std::size_t> place;  // of a frame of the rest
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      if (taken_[i]) continue;
      rest.push_back(frames_[i]);
      place.push_back(i);
    }
    std::vector<gather::Expected> left;
    std::vector<int> number;
    for (std::size_t k = 0; k < expected_.size(); ++k) {
      if (stations_.contains(static_cast<int>(k))) continue;
      left.push_back(expected_[k]);
      number.push_back(static_cast<int>(k));
    }
    gather::Gathering found;
    if (!rest.empty()) found = gather::gather_series(rest, left, options);
    gather::Gathering all;
    all.interval_s = found.interval_s;
    all.parts = parts_;
    for (gather::Part part : found.parts) {
      if (part.expected >= 0) part.expected = number[static_cast<std::size_t>(part.expected)];
      add_in_pieces(part, place, all.parts);
    }
    for (gather::DoubtfulCut cut : found.doubts) {
      cut.before = place[cut.before];
      if (cut.before > 0 && !taken_[cut.before - 1]) all.doubts.push_back(cut);
    }
    for (const std::size_t i : found.failed) all.failed.push_back(place[i]);
    for (const std::size_t i : found.clock_changes) all.clock_changes.push_back(place[i]);
    std::sort(all.parts.begin(), all.parts.end(),
              [](const gather::Part& a, const gather::Part& b) { return a.first < b.first; });
    return all;
  }

 private:
  [[nodiscard]] std::string name(std::size_t i) const {
    return fs::path(frames_[i].file).filename().string();
  }

  [[nodiscard]] std::size_t frame_of(const SeriesRow& row, const std::string& wanted,
                                     const std::optional<double>& time) const {
    std::vector<std::size_t> found;
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      if (name(i) == wanted) found.push_back(i);
    }
    if (found.size() > 1 && time) {
      std::erase_if(found, [&](std::size_t i) {
        return !frames_[i].time_s || std::abs(*frames_[i].time_s - *time) > kSameTime_s;
      });
    }
    if (found.empty()) refuse(row, fmt::format("there is no frame {}.", wanted));
    if (found.size() > 1) {
      refuse(row, fmt::format("{} frames are named {}; give first_time and last_time.",
                              found.size(), wanted));
    }
    return found.front();
  }

  [[nodiscard]] int station_of(const SeriesRow& row) const {
    const auto found = std::find_if(
        expected_.begin(), expected_.end(),
        [&](const gather::Expected& e) { return e.ring == row.ring && e.station == row.station; });
    if (found == expected_.end()) refuse(row, "specimen.toml has no such station.");
    return static_cast<int>(found - expected_.begin());
  }

  // A part of the rest that corrected frames lie within is no series: its pieces are set aside.
  static void add_in_pieces(const gather::Part& part, const std::vector<std::size_t>& place,
                            std::vector<gather::Part>& parts) {
    gather::Part piece = part;
    piece.first = place[part.first];
    piece.last = place[part.last];
    if (piece.last - piece.first == part.last - part.first) {
      parts.push_back(piece);
      return;
    }
    piece.kind = gather::PartKind::extra;
    piece.used = false;
    piece.expected = -1;
    piece.doubtful = true;
    for (std::size_t i = part.first; i <= part.last; ++i) {
      if (i == part.first || place[i] != place[i - 1] + 1) {
        piece.first = place[i];
        piece.last = place[i];
        parts.push_back(piece);
      }
      parts.back().last = place[i];
    }
  }

  const std::vector<gather::Frame>& frames_;
  const std::vector<gather::Expected>& expected_;
  std::vector<bool> taken_;
  std::set<int> stations_;
  std::vector<gather::Part> parts_;
};

}  // namespace

std::vector<SeriesRow> read_corrected_series(const fs::path& workspace) {
  std::vector<SeriesRow> rows = read_series(workspace, kCorrectedSeries);
  std::erase_if(rows, [](const SeriesRow& row) { return row.first.empty() && row.last.empty(); });
  return rows;
}

gather::Gathering gather_with_corrections(const std::vector<gather::Frame>& frames,
                                          const std::vector<gather::Expected>& expected,
                                          const std::vector<SeriesRow>& corrected,
                                          const gather::GatherOptions& options) {
  if (corrected.empty()) return gather::gather_series(frames, expected, options);
  Corrections corrections(frames, expected);
  for (const SeriesRow& row : corrected) corrections.add(row);
  return corrections.with_the_rest(options);
}

}  // namespace trunnion

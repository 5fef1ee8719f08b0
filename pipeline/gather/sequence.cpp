#include "pipeline/gather/sequence.h"

#include <fmt/format.h>

#include <map>
#include <set>
#include <string_view>

#include "pipeline/gather/corrected_series.h"
#include "pipeline/gather/judge_parts.h"
#include "pipeline/gather/series_findings.h"

namespace trunnion {
namespace {

std::string safe_name(std::string text) {
  for (char& c : text) {
    const bool plain = (c >= '0' && c <= '9') || (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ||
                       c == '-' || c == '_' || (static_cast<unsigned char>(c) & 0x80U) != 0;
    if (!plain) c = '_';
  }
  return text;
}

// Rows of series.csv with the changes that make their folders.
class Placing {
 public:
  Placing(const std::vector<SourceFrame>& frames, const std::vector<ExpectedStation>& expected)
      : frames_(frames), expected_(expected) {}

  void place(const gather::Gathering& gathering, std::vector<SeriesRow>& rows,
             std::vector<StoreChange>& changes) {
    std::map<int, SeriesRow> stations;
    std::vector<SeriesRow> aside;
    for (const gather::Part& part : gathering.parts) {
      SeriesRow row = row_of(part);
      row.doubts = part_doubts(gathering, part, names());
      changes.push_back(change_of(part, row));
      row.frame = row.folder + "/" + changes.back().wanted.begin()->first;
      if (part.used) {
        stations[part.expected] = std::move(row);
      } else {
        aside.push_back(std::move(row));
      }
    }
    for (std::size_t k = 0; k < expected_.size(); ++k) {
      const auto found = stations.find(static_cast<int>(k));
      rows.push_back(found != stations.end() ? found->second : missing(k));
    }
    rows.insert(rows.end(), aside.begin(), aside.end());
  }

 private:
  [[nodiscard]] std::vector<std::string> names() const {
    std::vector<std::string> all;
    for (const SourceFrame& frame : frames_) all.push_back(frame.source.file.filename().string());
    return all;
  }

  SeriesRow missing(std::size_t k) const {
    SeriesRow row = station_row(k);
    row.state = "missing";
    return row;
  }

  [[nodiscard]] SeriesRow station_row(std::size_t k) const {
    const ExpectedStation& station = expected_[k];
    SeriesRow row;
    row.ring = station.series.ring;
    row.station = station.series.station;
    row.angle_deg = station.angle_deg;
    row.planned = station.series.frames;
    row.fused = station.fused;
    return row;
  }

  SeriesRow row_of(const gather::Part& part) {
    SeriesRow row =
        part.expected >= 0 ? station_row(static_cast<std::size_t>(part.expected)) : SeriesRow{};
    row.state = part.used ? (part.kind == gather::PartKind::partial ? "incomplete" : "whole")
                          : gather::name_of(part.kind);
    row.frames = static_cast<int>(part.frames());
    row.first = frames_[part.first].source.file.filename().string();
    row.last = frames_[part.last].source.file.filename().string();
    for (std::size_t i = part.first; i <= part.last; ++i) {
      const std::optional<double>& time = frames_[i].facts.time_s;
      if (!time) continue;
      if (!row.first_s) row.first_s = time;
      row.last_s = time;
    }
    row.certainty = part.certainty;
    row.folder = "frames/" + folder_of(part, row);
    if (!part.used) row.fused.clear();
    return row;
  }

  // Named by its first frame where it belongs to no station: that stays when more is gathered.
  std::string folder_of(const gather::Part& part, const SeriesRow& row) {
    std::string name = row.station >= 0 ? fmt::format("{}_{:03}", safe_name(row.ring), row.station)
                                        : std::string(gather::name_of(part.kind));
    if (!part.used) {
      const std::string stem = frames_[part.first].source.file.stem().string();
      name = fmt::format("aside/{}{}_{}",
                         row.station >= 0 ? std::string(name_of(part.kind)) + "_" : "", name,
                         safe_name(stem));
    }
    const std::string base = name;
    for (int i = 2; !taken_.insert(name).second; ++i) name = fmt::format("{}-{}", base, i);
    return name;
  }

  [[nodiscard]] StoreChange change_of(const gather::Part& part, const SeriesRow& row) const {
    StoreChange change;
    change.folder = row.folder.substr(std::string_view("frames/").size());
    for (std::size_t i = part.first; i <= part.last; ++i) {
      const std::string name =
          fmt::format("{:04}_{}", i - part.first + 1, frames_[i].source.file.filename().string());
      change.wanted[name] = frames_[i].source;
      change.from[name] = frames_[i].readable_at;
    }
    return change;
  }

  const std::vector<SourceFrame>& frames_;
  const std::vector<ExpectedStation>& expected_;
  std::set<std::string> taken_;
};

}  // namespace

Sequence analyse(std::vector<SourceFrame> sources, const std::vector<ExpectedStation>& expected,
                 const std::vector<SeriesRow>& corrected, bool use_previews) {
  Sequence result;
  // Previews are most of the memory, so they are held once: here, not in the result.
  std::vector<gather::Frame> unsorted;
  for (SourceFrame& source : sources) {
    unsorted.push_back(std::move(source.facts));
    source.facts = {};
    source.facts.time_s = unsorted.back().time_s;
  }
  std::vector<gather::Frame> facts;
  for (const std::size_t i : gather::shooting_order(unsorted, result.findings)) {
    result.frames.push_back(std::move(sources[i]));
    facts.push_back(std::move(unsorted[i]));
  }
  std::vector<gather::Expected> series;
  for (const ExpectedStation& station : expected) series.push_back(station.series);
  gather::GatherOptions options;
  options.use_previews = use_previews;
  result.gathering = gather_with_corrections(facts, series, corrected, options);
  Placing(result.frames, expected).place(result.gathering, result.rows, result.changes);
  add_series_findings(facts, result.gathering, result.rows, result.findings);
  judge_parts(facts, result.gathering, result.rows, result.faults);
  return result;
}

}  // namespace trunnion

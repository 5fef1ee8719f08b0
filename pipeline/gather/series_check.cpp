#include "pipeline/gather/series_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <set>

#include "core/exposure_time.h"
#include "core/metadata.h"
#include "core/station.h"
#include "pipeline/gather/series_table.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;
using StationKey = std::pair<std::string, int>;

constexpr double kDateTolerance = 2;  // s: whole seconds, rounded either way

void add_still_to_come(const std::vector<SeriesRow>& rows, const std::set<StationKey>& fused,
                       Findings& findings) {
  for (const SeriesRow& row : rows) {
    if (row.state != "whole" || fused.contains({row.ring, row.station})) continue;
    findings.push_back({Severity::fault, "series", row.fused,
                        fmt::format("The {} frames of {} are gathered, but not fused yet.",
                                    row.frames, station_text(row.ring, row.station)),
                        fmt::format("Fuse the frames in {} into {} and run prepare again.",
                                    row.folder, row.fused)});
  }
}

void check_count(const ingest::StationImage& image, const SeriesRow& row, Findings& findings) {
  if (image.frames == 0 || image.frames == row.frames) return;
  findings.push_back(
      {Severity::doubt, "series", image.source,
       fmt::format("The number of frames fused into {} is given as {}, but {} were "
                   "gathered for {}.",
                   image.source, image.frames, row.frames, station_text(row.ring, row.station)),
       "Fuse the whole series again, or correct frames in specimen.toml."});
}

// Many fusing programs hand on the date of the first frame.
void check_date(const ingest::StationImage& image, const SeriesRow& row,
                const std::vector<SeriesRow>& rows, Findings& findings) {
  if (!row.first_s || !row.last_s) return;
  const Exiv2::ExifData exif = read_metadata(image.file).exif;
  const Exiv2::ExifKey key("Exif.Photo.DateTimeOriginal");
  if (exif.findKey(key) == exif.end()) return;
  const auto time = exposure_time(exif);
  if (!time) return;
  const auto within = [&](const SeriesRow& r) {
    const auto [first, last] = std::minmax(*r.first_s, *r.last_s);
    return time->seconds > first - kDateTolerance && time->seconds < last + kDateTolerance;
  };
  if (within(row)) return;
  std::string of;
  for (const SeriesRow& other : rows) {
    if (other.first_s && other.last_s && other.station >= 0 && within(other)) {
      of = fmt::format(", which is that of {}", station_text(other.ring, other.station));
    }
  }
  findings.push_back(
      {Severity::doubt, "series", image.source,
       fmt::format("{} carries the date {}, but the frames of {} were taken from {} to {}{}.",
                   image.source, camera_time(time->seconds), station_text(row.ring, row.station),
                   camera_time(*row.first_s), camera_time(*row.last_s), of),
       "Check whether it was fused from the right series."});
}

}  // namespace

void use_series(const fs::path& workspace, std::vector<ingest::StationImage>& images,
                const Review& review, Findings& findings) {
  const std::vector<SeriesRow> rows = read_series(workspace);
  if (rows.empty()) return;
  std::map<StationKey, const SeriesRow*> by_station;
  for (const SeriesRow& row : rows) {
    if (row.of_station() && row.frames > 0) by_station[{row.ring, row.station}] = &row;
  }
  std::set<StationKey> fused;  // or never to be
  for (const Exclusion& each : review.excluded) fused.insert({each.ring, each.station});
  for (ingest::StationImage& image : images) {
    fused.insert({image.ring, image.station});
    const auto found = by_station.find({image.ring, image.station});
    if (found == by_station.end()) continue;
    const SeriesRow& row = *found->second;
    check_count(image, row, findings);
    check_date(image, row, rows, findings);
    if (image.frame.empty() && fs::is_regular_file(workspace / row.frame)) image.frame = row.frame;
    if (image.frames == 0) image.frames = row.frames;
  }
  add_still_to_come(rows, fused, findings);
}

}  // namespace trunnion

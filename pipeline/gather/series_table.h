// WORKSPACE/series.csv: which frames make which station, written by gather and read by check and
// prepare. One line a station, those without frames too; then the parts that stand for none.
//
// CSV (RFC 4180), UTF-8, first line the column names:
//   ring, station, angle_deg   as in specimen.toml; empty for a part that belongs to no station
//   state      whole, incomplete (the card ends within it), missing, or, set aside: repeated,
//              aborted, test, extra
//   frames     how many there are; planned: how many were planned (empty: not given)
//   first, last, first_time, last_time   of the frames, as the camera named and dated them
//   folder     where the copies are; frame: the first of them; both relative to the workspace
//   fused      where the fused image is expected
//   certainty  probability that beginning, end and station are right, 0 to 1
//   doubts     in words
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

namespace trunnion {

struct SeriesRow {
  std::string ring;
  int station = -1;
  double angle_deg = 0;
  std::string state;
  int frames = 0;
  int planned = 0;  // 0: not given
  std::string first, last;
  std::optional<double> first_s, last_s;  // s since 1970 by the camera's clock
  std::string folder, frame, fused;
  double certainty = 1;
  std::string doubts;

  [[nodiscard]] bool of_station() const {
    return state == "whole" || state == "incomplete" || state == "missing";
  }
};

std::string series_csv(const std::vector<SeriesRow>& rows);

// Empty where there is no such file. Throws a data error for one that can't be understood.
std::vector<SeriesRow> read_series(const std::filesystem::path& workspace,
                                   const std::string& name = "series.csv");

// 2026-11-30T02:53:59.25, without a zone: the camera's clock knows none.
std::string camera_time(double seconds);

}  // namespace trunnion

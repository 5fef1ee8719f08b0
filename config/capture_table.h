// A capture table: which image was taken where, for those whose files follow no pattern.
//
// CSV (RFC 4180), UTF-8, first line the column names in any order:
//   file       path of the fused image, relative to the workspace      (needed)
//   ring       a ring's name in specimen.toml                           (needed with several rings)
//   station    whole number                                             (needed)
//   angle_deg  stage angle as read; replaces the nominal step           (optional)
//   tilt_deg   tilt about the second axis; replaces the ring's          (optional)
//   reference_mm  rail position of the reference slice, as in a shot list; replaces the ring's
//   frames     how many frames were fused into the image                (optional)
//   frame      path of a single frame of the series, for its metadata   (optional)
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace trunnion {

struct CaptureRow {
  int line = 0;  // in the file, from 1
  std::string file;
  std::string ring;
  int station = 0;
  std::optional<double> angle;  // rad, unsigned by the direction of turning
  std::optional<double> tilt;   // rad
  std::optional<double> reference_mm;
  int frames = 0;     // 0: not given
  std::string frame;  // relative to the workspace; empty: not given
};

// Throws one data error that names every mistake (at most 20) with its line and remedy.
std::vector<CaptureRow> read_capture_table(const std::filesystem::path& file);
std::vector<CaptureRow> parse_capture_table(std::string_view text, const std::string& name);

// Cells of one CSV text, quotes resolved; throws a data error for an open quote.
std::vector<std::vector<std::string>> parse_csv(std::string_view text, const std::string& name);

}  // namespace trunnion

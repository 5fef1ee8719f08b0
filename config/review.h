// What a person decided about a set: the workspace's review.toml, which may be absent.
//
//   [[exclude]]                  # a station that is left out, as if it had not been planned
//   ring = "low"                 # may be left out where there is one ring
//   station = 7
//   reason = "the pin moved"
//   date = "2026-11-30"          # year-month-day
//   [[accept]]                   # a doubt of which a person says that it is no obstacle
//   ring = "low"                 # of a station; or file = "...", or neither: of the whole set
//   station = 3
//   doubt = "12.0 % of the mask lies outside ..."  # the sentence of the report, with its figures
//   reason = "that is the pin"
//   date = "2026-11-30"
//
// A doubt is accepted by its sentence: where a figure in it changes, it is raised again. Faults are
// not accepted. No decision changes a pose, its state, its sigmas or any other figure.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "config/specimen.h"

namespace trunnion {

struct Exclusion {
  std::string ring;
  int station = 0;
  std::string reason;
  std::string date;  // YYYY-MM-DD
};

struct Acceptance {
  std::string ring;            // empty: not of a station
  std::optional<int> station;  // nothing: not of a station
  std::string file;            // relative to the workspace; empty: of a station or the whole set
  std::string doubt;
  std::string reason;
  std::string date;  // YYYY-MM-DD
};

struct Review {
  std::vector<Exclusion> excluded;
  std::vector<Acceptance> accepted;

  [[nodiscard]] bool excludes(std::string_view ring, int station) const;
};

// Both throw one data error that names every mistake with its line and remedy: among them stations
// that `specimen` doesn't have, decisions made twice, and missing reasons and dates. No file: no
// decisions.
Review read_review(const std::filesystem::path& file, const Specimen& specimen);
Review parse_review(std::string_view text, const std::string& name, const Specimen& specimen);

// Tables of review.toml, to be added at the end of the file.
std::string review_toml(const Exclusion& exclusion);
std::string review_toml(const Acceptance& acceptance);

// The text of review.toml without table number `index` (from 0) of `kind`, "exclude" or "accept";
// all else stays as it is written. Unchanged where there is no such table.
std::string without_table(std::string_view text, std::string_view kind, std::size_t index);

}  // namespace trunnion

// A made-up set with everything a report can show: two rings around a shaded pebble, drawn from
// its poses, with faults put in on purpose.
#pragma once

#include "stages/report/report.h"

namespace trunnion::test {

struct SampleOptions {
  int rings = 2;
  int stations = 24;   // a ring
  int width_px = 600;  // of the drawn images; height two thirds
  bool faults = true;  // missing station, blur band, drifted exposure, slipped angle, failed mask
  bool noise = false;  // sensor noise, which JPEG hates
  std::string title = "Pebble beetle 12";
};

Scene sample_scene(const SampleOptions& options);
report::ReportData sample_report(const SampleOptions& options = {});

// Where the faults were put, as the report names them.
inline constexpr const char* kMissing = "low 7";
inline constexpr const char* kBlurred = "low 11";
inline constexpr const char* kDrifted = "low 15";
inline constexpr const char* kSlipped = "high 4";
inline constexpr const char* kMaskless = "high 20";

}  // namespace trunnion::test

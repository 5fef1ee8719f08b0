// What to shoot again: stations that are missing, at fault or in doubt about the photograph itself,
// with where the stage and the rail stood, for paper and for a table. A mask alone is mended, not
// shot again; a station that a person excluded is not asked for.
#pragma once

#include <string>
#include <vector>

#include "config/settings.h"
#include "stages/report/report.h"

namespace trunnion::desk {

struct ShotAgain {
  std::string ring;
  int station = 0;
  double stage_angle_deg = 0;  // as the stage is set: unsigned by the direction of turning
  double tilt_deg = 0;
  std::string rail_mm;  // "0.4 to 12.8, step 0.2" or the reference slice; empty: not known
  std::string file;
  std::vector<std::string> reasons;
};

// Ring by ring, by station.
std::vector<ShotAgain> shots_again(const report::ReportData& data, const Specimen& specimen);

// RFC 4180, UTF-8; the first line names the columns.
std::string shots_again_csv(const std::vector<ShotAgain>& shots);

}  // namespace trunnion::desk

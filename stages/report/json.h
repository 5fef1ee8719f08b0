// ReportData as JSON and back; private to the report stage. Angles in degrees, numbers that come
// by the thousand cut to the digits a page can show.
#pragma once

#include <nlohmann/json.hpp>

#include "stages/report/report.h"

namespace trunnion::report {

inline constexpr int kReportFormat = 1;

// Pictures are named, not held: see picture_name.
nlohmann::ordered_json to_json(const ReportData& data);
// Throws nlohmann's exceptions, which name the field.
ReportData from_json(const nlohmann::ordered_json& json);

// "pictures/0007-after.jpg": by number, since names of views are the user's.
std::string picture_name(std::size_t view, const char* which);

}  // namespace trunnion::report

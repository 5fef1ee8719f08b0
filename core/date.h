// Dates in UTC. The environment variable SOURCE_DATE_EPOCH (seconds since 1970-01-01, convention of
// reproducible-builds.org), where it is set and not empty, stands in for the clock, so that two
// runs can be compared byte by byte. A value that is no whole number of seconds of the years 1970
// to 9999 is a usage error.
#pragma once

#include <ctime>
#include <optional>
#include <string>

namespace trunnion {

// Nothing where the variable is not set: then only the clock could give a date.
std::optional<std::time_t> source_date();

// 2000-01-31T23:59:59Z (ISO 8601).
std::string iso_date(std::time_t time);

// 2000:01:31 23:59:59 (EXIF 2.32, DateTime).
std::string exif_date(std::time_t time);

// Seconds since 1970 of a date as Exif ("2026:11:30 02:53:59") or ISO 8601
// ("2026-11-30T02:53:59.5") writes it, taken as UTC; nothing where the text is none.
std::optional<double> seconds_since_1970(const std::string& date);

// The date of now, or of SOURCE_DATE_EPOCH, as ISO 8601.
std::string iso_date_of_run();

}  // namespace trunnion

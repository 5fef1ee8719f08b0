#include "core/exposure_time.h"

#include <chrono>
#include <cstdio>
#include <string>

namespace trunnion {
namespace {

std::string value_of(const Exiv2::ExifData& exif, const char* key) {
  const auto found = exif.findKey(Exiv2::ExifKey(key));
  return found == exif.end() ? std::string() : found->toString();
}

// "2026:11:30 02:53:59" (Exif 2.32, DateTimeOriginal), as if it were UTC: only differences count.
std::optional<double> seconds_of(const std::string& text) {
  int year = 0;
  int month = 0;
  int day = 0;
  int hour = 0;
  int minute = 0;
  int second = 0;
  if (std::sscanf(text.c_str(), "%4d:%2d:%2d %2d:%2d:%2d", &year, &month, &day, &hour, &minute,
                  &second) != 6) {
    return std::nullopt;
  }
  const std::chrono::year_month_day date{std::chrono::year(year),
                                         std::chrono::month(static_cast<unsigned>(month)),
                                         std::chrono::day(static_cast<unsigned>(day))};
  if (!date.ok() || hour > 23 || minute > 59 || second > 60) return std::nullopt;
  const auto days = std::chrono::sys_days(date).time_since_epoch().count();
  return static_cast<double>(days) * 86400.0 + hour * 3600.0 + minute * 60.0 + second;
}

// The digits are the decimals of the second (Exif 2.32, SubsecTimeOriginal).
std::optional<double> decimals_of(const std::string& text) {
  double value = 0;
  double unit = 1;
  int digits = 0;
  for (const char c : text) {
    if (c < '0' || c > '9') break;
    unit /= 10;
    value += (c - '0') * unit;
    ++digits;
  }
  return digits > 0 ? std::optional(value) : std::nullopt;
}

}  // namespace

std::optional<ExposureTime> exposure_time(const Exiv2::ExifData& exif) {
  std::optional<double> seconds;
  for (const char* key : {"Exif.Photo.DateTimeOriginal", "Exif.Image.DateTimeOriginal",
                          "Exif.Photo.DateTimeDigitized", "Exif.Image.DateTime"}) {
    seconds = seconds_of(value_of(exif, key));
    if (seconds) break;
  }
  if (!seconds) return std::nullopt;
  for (const char* key : {"Exif.Photo.SubSecTimeOriginal", "Exif.Photo.SubSecTimeDigitized",
                          "Exif.Photo.SubSecTime"}) {
    const std::optional<double> decimals = decimals_of(value_of(exif, key));
    if (decimals) return ExposureTime{*seconds + *decimals, true};
  }
  return ExposureTime{*seconds, false};
}

}  // namespace trunnion

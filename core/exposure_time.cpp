#include "core/exposure_time.h"

#include <string>

#include "core/date.h"

namespace trunnion {
namespace {

std::string value_of(const Exiv2::ExifData& exif, const char* key) {
  const auto found = exif.findKey(Exiv2::ExifKey(key));
  return found == exif.end() ? std::string() : found->toString();
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
    seconds = seconds_since_1970(value_of(exif, key));
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

// When a frame was exposed, from its Exif.
#pragma once

#include <exiv2/exif.hpp>
#include <optional>

namespace trunnion {

struct ExposureTime {
  double seconds = 0;  // since 1970 by the camera's clock, which knows no zone
  bool decimals = false;
};

// DateTimeOriginal with SubSecTimeOriginal (Exif 2.32), of the Exif directory or, as TIFF/EP
// (ISO 12234-2) has it, of the image's own; else the time of digitising or of the file's change.
std::optional<ExposureTime> exposure_time(const Exiv2::ExifData& exif);

}  // namespace trunnion

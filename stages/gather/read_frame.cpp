#include <charconv>
#include <utility>

#include "core/embedded_preview.h"
#include "core/exposure_time.h"
#include "stages/gather/gather.h"

namespace trunnion::gather {
namespace {

namespace fs = std::filesystem;

std::string text_of(const Exiv2::ExifData& exif, const char* key) {
  const auto found = exif.findKey(Exiv2::ExifKey(key));
  return found == exif.end() ? std::string() : found->toString();
}

std::string settings_of(const Exiv2::ExifData& exif) {
  std::string text;
  for (const char* key : {"ExposureTime", "FNumber", "ISOSpeedRatings"}) {
    std::string value = text_of(exif, ("Exif.Photo." + std::string(key)).c_str());
    if (value.empty()) value = text_of(exif, ("Exif.Image." + std::string(key)).c_str());
    text += value + " ";
  }
  return text == "   " ? std::string() : text;
}

// The last digits of the name before its extension, as cameras count.
std::optional<int> number_of(const std::string& stem) {
  std::size_t end = stem.size();
  while (end > 0 && (stem[end - 1] < '0' || stem[end - 1] > '9')) --end;
  std::size_t begin = end;
  while (begin > 0 && end - begin < 4 && stem[begin - 1] >= '0' && stem[begin - 1] <= '9') --begin;
  int number = 0;
  const auto [stop, code] = std::from_chars(stem.data() + begin, stem.data() + end, number);
  if (begin == end || code != std::errc()) return std::nullopt;
  return number;
}

}  // namespace

void name_frame(Frame& frame, const fs::path& file) {
  frame.file = file.string();
  frame.folder = file.parent_path().string();
  frame.number = number_of(file.stem().string());
}

Frame read_frame(const fs::path& file) {
  Frame frame;
  name_frame(frame, file);
  FrameHeader header = read_frame_header(file);
  frame.readable = header.readable && !header.preview.empty();
  if (const std::optional<ExposureTime> time = exposure_time(header.exif)) {
    frame.time_s = time->seconds;
    frame.subseconds = time->decimals;
  }
  frame.settings = settings_of(header.exif);
  PreviewGrids grids = grids_of(header.preview);
  frame.grey = std::move(grids.grey);
  frame.grids = std::move(grids);
  return frame;
}

}  // namespace trunnion::gather

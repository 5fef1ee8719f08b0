// What a frame of a camera says without its own pixels: Exif and the previews embedded in it, read
// by Exiv2 from JPEG, TIFF and the raw formats built on TIFF (TIFF/EP, ISO 12234-2).
#pragma once

#include <exiv2/exif.hpp>
#include <filesystem>
#include <opencv2/core.hpp>

namespace trunnion {

struct FrameHeader {
  bool readable = false;  // the content is that of an image file
  Exiv2::ExifData exif;
  // Grey, 8 bit, as stored (not turned upright), some 300 to 800 px wide where the file has such a
  // preview; else what it has. A JPEG or TIFF without a preview is decoded and reduced. Empty where
  // there is nothing.
  cv::Mat preview;
};

// Never throws for what the file holds. Safe to call from several threads.
FrameHeader read_frame_header(const std::filesystem::path& file);

// True where the content is that of an image file that may be a frame; XMP sidecars are none.
bool may_be_frame(const std::filesystem::path& file);

}  // namespace trunnion

// Adds Exif, GPS, XMP, IPTC and ICC to a TIFF that was just written, by appending directories to
// the end of the file; strips and tiles stay where they are.
//
// A TIFF is a header that points to a first directory (IFD) of 12-byte entries (TIFF 6.0, Adobe
// 1992, section 2). The directory found is copied behind the file's end together with the new
// entries and sub-directories (Exif 2.32, 4.6.3), then the header is pointed at the copy as the
// last act. Cost: the size of the metadata, whatever the size of the image; a general rewrite of
// the container would read and write all pixels again.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

namespace trunnion {

// One tag; `bytes` holds count values of the type in the byte order of this machine's TIFFs.
struct TiffEntry {
  std::uint16_t tag = 0;
  std::uint16_t type = 0;  // TIFF 6.0 type code, 1 (BYTE) to 13 (IFD)
  std::uint32_t count = 0;
  std::string bytes;
};

struct TiffDirectories {
  std::vector<TiffEntry> image;    // into the first directory; replaces tags found there
  std::vector<TiffEntry> exif;     // 0x8769
  std::vector<TiffEntry> gps;      // 0x8825
  std::vector<TiffEntry> interop;  // 0xA005 of the Exif directory
};

// True for little-endian ("II") files. Throws a data error where the file is no classic TIFF.
bool tiff_is_little_endian(const std::filesystem::path& file);

// `bytes` must be in the file's byte order. Call once a file: older sub-directories are replaced.
void append_tiff_directories(const std::filesystem::path& file, const TiffDirectories& directories);

// A whole TIFF of these directories alone, without pixels: what a reader of metadata takes.
std::string tiff_of(const TiffDirectories& directories, bool little_endian);

}  // namespace trunnion

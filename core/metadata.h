// Metadata of an image file as values: Exif, XMP, IPTC, an ICC profile, the colour and text chunks
// of a PNG and the comment of a JPEG.
//
// Reading, the meaning of tags and their encoding go through Exiv2. The container is written by
// Exiv2 for JPEG, by tiff_directory.h for TIFF, where Exiv2 would rewrite all pixels, and by
// png_chunks.h for PNG, where it would not use the standard's chunk. Exiv2 truncates its target
// before it writes, so write_metadata works on a temporary copy of our own only, and reads back
// what it wrote.
#pragma once

#include <exiv2/exif.hpp>
#include <exiv2/iptc.hpp>
#include <exiv2/xmp_exiv2.hpp>
#include <filesystem>
#include <string>
#include <vector>

#include "core/image_io.h"
#include "core/png_chunks.h"

namespace trunnion {

struct Metadata {
  // Groups Image, Photo, GPSInfo, Iop and Thumbnail. A maker note is the one opaque value
  // Exif.Photo.MakerNote, never its decoded parts, so that it stays as it is byte for byte.
  Exiv2::ExifData exif;
  Exiv2::IptcData iptc;
  Exiv2::XmpData xmp;                   // with what stands in a JPEG's further segments
  std::vector<PngChunk> png;            // colour and texts, as they stand in a PNG
  std::vector<std::string> png_others;  // types of a PNG's chunks that are not read
  std::string comment;                  // a JPEG's own (COM)
  std::string icc;                      // profile bytes; empty where there is none
  bool little_endian = true;            // byte order of the Exif block
  bool previews = false;                // the file holds further images of its own (SubIFDs)
  std::vector<std::string> unreadable;  // blocks that are there but can't be understood: "XMP", ...
};

// Registers namespaces and starts the XMP toolkit; its start is not thread-safe, so the program
// calls this before it starts threads. Calling again does nothing.
void initialise_metadata();

// Throws a data error only where there is no such file; what is damaged goes to `unreadable`.
Metadata read_metadata(const std::filesystem::path& file);

// Orientation flag, 1..8; 1 where there is none or the metadata are damaged: pixels are still good.
int exif_orientation(const std::filesystem::path& file);

// Replaces the metadata of an image that write_image wrote. Returns what did not survive, as found
// by reading the file again: keys such as "Exif.Photo.UserComment", "XMP", "ICC".
// Throws an output error where the file can't be written.
std::vector<std::string> write_metadata(const std::filesystem::path& temporary_file, FileType type,
                                        const Metadata& metadata);

// The packet as RDF/XML, without padding; `sidecar` adds the XML declaration.
std::string xmp_packet(const Exiv2::XmpData& xmp, bool sidecar);

// Bytes of a value in the byte order asked for.
std::string bytes_of(const Exiv2::Exifdatum& datum, bool little_endian);

// The largest blocks a JPEG holds without splitting: 65535 less the segment's own length and
// signature (Exif 2.32, 4.7.2; XMP specification part 3, 1.1.3).
inline constexpr std::size_t kJpegExifLimit = 65'527;
inline constexpr std::size_t kJpegXmpLimit = 65'502;

inline constexpr const char* kNamespaceUri = "https://trunnion.invalid/ns/1.0/";
inline constexpr const char* kNamespacePrefix = "trunnion";

}  // namespace trunnion

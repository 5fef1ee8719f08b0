// The metadata of a BigTIFF (TIFF with offsets of 64 bits, for files over 4 GB; as libtiff
// documents it), for a library that reads metadata only of the classic kind.
#pragma once

#include <filesystem>
#include <string>

namespace trunnion {

struct BigTiffMetadata {
  std::string classic;    // a classic TIFF of the same directories, without pixels
  bool previews = false;  // the file holds further images of its own (SubIFDs)
  bool complete = true;   // false: some entry lies outside of the file and was left out
};

// True where the file's signature is that of a BigTIFF.
bool is_big_tiff(const std::filesystem::path& file);

// First directory with its Exif, GPS and interoperability directories; what describes where pixels
// lie is left out.
BigTiffMetadata big_tiff_metadata(const std::filesystem::path& file);

}  // namespace trunnion

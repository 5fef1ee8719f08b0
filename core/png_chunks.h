// Metadata chunks of a PNG (W3C Portable Network Graphics, third edition, 5.6 and 11.3): reads what
// says something of colour and the texts, and puts chunks into a PNG that was just written, in
// front of the pixels, where every reader looks.
// The library used for metadata writes Exif into PNG as text of an older custom, which readers
// of the standard's eXIf chunk call non-standard.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

namespace trunnion {

struct PngChunk {
  std::string type;  // four letters
  std::string data;
  friend bool operator==(const PngChunk&, const PngChunk&) = default;
};

struct PngChunks {
  std::vector<PngChunk> kept;        // gAMA, cHRM, sRGB, cICP, pHYs, tEXt, zTXt, iTXt
  std::vector<std::string> damaged;  // types of chunks that fail their checksum
  std::vector<std::string> others;   // types of ancillary chunks that are neither kept nor metadata
};

// Texts that hold Exif, IPTC or XMP are left out: they are read as what they are.
PngChunks read_png_chunks(const std::filesystem::path& file);

// Of a text chunk: what stands before its first NUL. Empty for other chunks.
std::string png_keyword(const PngChunk& chunk);

// Copies the file once, without its old metadata chunks, and renames the copy over it.
void replace_png_metadata(const std::filesystem::path& file, const std::vector<PngChunk>& chunks);

PngChunk png_profile(const std::string& icc);  // iCCP, deflated
PngChunk png_xmp(const std::string& packet);   // iTXt "XML:com.adobe.xmp", not compressed
// zTXt "Raw profile type NAME": hexadecimal text, the common custom for IPTC; no standard has it.
PngChunk png_raw_profile(const std::string& name, const std::string& bytes);

}  // namespace trunnion

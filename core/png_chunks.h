// Puts metadata chunks into a PNG that was just written: eXIf, iCCP, iTXt, zTXt, in front of the
// pixels, where every reader looks (W3C Portable Network Graphics, third edition, 5.6 and 11.3).
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
};

// Copies the file once, without its old metadata chunks, and renames the copy over it.
void replace_png_metadata(const std::filesystem::path& file, const std::vector<PngChunk>& chunks);

PngChunk png_profile(const std::string& icc);  // iCCP, deflated
PngChunk png_xmp(const std::string& packet);   // iTXt "XML:com.adobe.xmp", not compressed
// zTXt "Raw profile type NAME": hexadecimal text, the common custom for IPTC; no standard has it.
PngChunk png_raw_profile(const std::string& name, const std::string& bytes);

}  // namespace trunnion

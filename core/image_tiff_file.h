// An open TIFF with what libtiff said of it, and how its samples lie. For core/image_tiff*.cpp
// only.
#pragma once

#include <tiffio.h>

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>

namespace trunnion {

// What libtiff says of one file: kept with it instead of going to stderr.
struct TiffMessages {
  std::string error;
  std::string warning;  // the first since `clear`
  void clear() {
    error.clear();
    warning.clear();
  }
};

class TiffFile {
 public:
  // get() is null where it can't be opened.
  TiffFile(const std::filesystem::path& file, const char* mode);
  [[nodiscard]] TIFF* get() const { return tiff_.get(); }
  [[nodiscard]] TiffMessages& messages() const { return *messages_; }

 private:
  std::unique_ptr<TiffMessages> messages_;  // outlives the handle, which speaks while it closes
  std::unique_ptr<TIFF, void (*)(TIFF*)> tiff_{nullptr, &TIFFClose};
};

// Throws a data error where it can't be opened.
TiffFile open_tiff(const std::filesystem::path& file);

enum class TiffAlpha { none, separate, multiplied };

// How the samples lie in the file.
struct TiffLayout {
  int width = 0;
  int height = 0;
  int samples = 0;
  int bits = 0;
  bool planes = false;
  bool tiles = false;
  bool white_is_zero = false;
  bool ycbcr = false;
  std::uint16_t compression = COMPRESSION_NONE;
  TiffAlpha alpha = TiffAlpha::none;
};

TiffLayout layout_of(TIFF* tiff);

}  // namespace trunnion

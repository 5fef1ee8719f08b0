#include "core/image_tiff_file.h"

#include <fmt/format.h>

#include <array>
#include <cstdarg>
#include <cstdio>

#include "core/image_format.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

int keep_message(std::string& place, const char* module, const char* format, std::va_list values) {
  if (!place.empty()) return 1;
  std::array<char, 300> text{};
  // NOLINTNEXTLINE(clang-diagnostic-format-nonliteral): the library's own formats
  std::vsnprintf(text.data(), text.size(), format, values);
  place = fmt::format("{}{}{}", module == nullptr ? "" : module, module == nullptr ? "" : ": ",
                      text.data());
  return 1;  // no other handler is asked
}

}  // namespace

TiffFile::TiffFile(const fs::path& file, const char* mode)
    : messages_(std::make_unique<TiffMessages>()) {
  TIFFOpenOptions* options = TIFFOpenOptionsAlloc();
  TIFFOpenOptionsSetErrorHandlerExtR(
      options,
      [](TIFF*, void* all, const char* module, const char* format, va_list values) {
        return keep_message(static_cast<TiffMessages*>(all)->error, module, format, values);
      },
      messages_.get());
  TIFFOpenOptionsSetWarningHandlerExtR(
      options,
      [](TIFF*, void* all, const char* module, const char* format, va_list values) {
        return keep_message(static_cast<TiffMessages*>(all)->warning, module, format, values);
      },
      messages_.get());
  tiff_.reset(TIFFOpenExt(file.c_str(), mode, options));
  TIFFOpenOptionsFree(options);
}

TiffFile open_tiff(const fs::path& file) {
  TiffFile tiff(file, "rm");
  if (tiff.get() == nullptr) throw wrong_image(file, "is a damaged TIFF; export it again.");
  return tiff;
}

TiffLayout layout_of(TIFF* t) {
  std::uint32_t width = 0;
  std::uint32_t height = 0;
  std::uint16_t bits = 1;
  std::uint16_t samples = 1;
  std::uint16_t photometric = 0;
  std::uint16_t planar = PLANARCONFIG_CONTIG;
  std::uint16_t extras = 0;
  std::uint16_t* extra = nullptr;
  TiffLayout layout;
  TIFFGetField(t, TIFFTAG_IMAGEWIDTH, &width);
  TIFFGetField(t, TIFFTAG_IMAGELENGTH, &height);
  TIFFGetFieldDefaulted(t, TIFFTAG_BITSPERSAMPLE, &bits);
  TIFFGetFieldDefaulted(t, TIFFTAG_SAMPLESPERPIXEL, &samples);
  TIFFGetFieldDefaulted(t, TIFFTAG_PLANARCONFIG, &planar);
  TIFFGetFieldDefaulted(t, TIFFTAG_EXTRASAMPLES, &extras, &extra);
  TIFFGetFieldDefaulted(t, TIFFTAG_COMPRESSION, &layout.compression);
  TIFFGetField(t, TIFFTAG_PHOTOMETRIC, &photometric);
  layout.width = static_cast<int>(width);
  layout.height = static_cast<int>(height);
  layout.samples = samples;
  layout.bits = bits;
  layout.planes = planar == PLANARCONFIG_SEPARATE && samples > 1;
  layout.tiles = TIFFIsTiled(t) != 0;
  layout.white_is_zero = photometric == PHOTOMETRIC_MINISWHITE;
  layout.ycbcr = photometric == PHOTOMETRIC_YCBCR;
  if (samples == 2 || samples == 4) {
    // Programs that leave the kind open mean alpha as it is.
    const bool multiplied = extras > 0 && extra[0] == EXTRASAMPLE_ASSOCALPHA;
    layout.alpha = multiplied ? TiffAlpha::multiplied : TiffAlpha::separate;
  }
  return layout;
}

}  // namespace trunnion

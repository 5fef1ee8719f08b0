#include "core/image_tiff.h"

#include <fmt/format.h>

#include <array>

#include "core/image_format.h"
#include "core/image_tiff_file.h"
#include "core/image_tiff_pixels.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

void check_photometric(const fs::path& file, TIFF* t) {
  std::uint16_t photometric = 0;
  std::uint16_t format = SAMPLEFORMAT_UINT;
  TIFFGetFieldDefaulted(t, TIFFTAG_SAMPLEFORMAT, &format);
  if (TIFFGetField(t, TIFFTAG_PHOTOMETRIC, &photometric) == 0) {
    throw wrong_image(file, "is a TIFF without photometric interpretation; export it again.");
  }
  if (photometric == PHOTOMETRIC_PALETTE) {
    throw wrong_image(file, fmt::format("has a colour palette; {}.", kReencode));
  }
  if (photometric == PHOTOMETRIC_SEPARATED) {
    throw wrong_image(file, fmt::format("has CMYK inks; {}.", kReencode));
  }
  if (photometric != PHOTOMETRIC_RGB && photometric != PHOTOMETRIC_MINISBLACK &&
      photometric != PHOTOMETRIC_MINISWHITE && photometric != PHOTOMETRIC_YCBCR) {
    throw wrong_image(file, fmt::format("has the photometric interpretation {}, but grey or RGB is "
                                        "needed; {}.",
                                        photometric, kReencode));
  }
  if (format != SAMPLEFORMAT_UINT) {
    throw wrong_image(file, fmt::format("has signed or floating-point samples; {}.", kReencode));
  }
}

// Grey with alpha, as BGRA.
cv::Mat four_channels(const cv::Mat& two) {
  cv::Mat four(two.size(), CV_MAKETYPE(two.depth(), 4));
  constexpr std::array<int, 8> pairs{0, 0, 0, 1, 0, 2, 1, 3};
  cv::mixChannels(&two, 1, &four, 1, pairs.data(), 4);
  return four;
}

}  // namespace

ImageInfo probe_tiff(const fs::path& file, const ImageLimits& limits) {
  const TiffFile tiff = open_tiff(file);
  TIFF* t = tiff.get();
  check_photometric(file, t);
  const TiffLayout layout = layout_of(t);
  std::uint32_t width = 0;
  std::uint32_t height = 0;
  std::uint16_t photometric = 0;
  std::uint16_t orientation = 1;
  TIFFGetField(t, TIFFTAG_IMAGEWIDTH, &width);
  TIFFGetField(t, TIFFTAG_IMAGELENGTH, &height);
  TIFFGetField(t, TIFFTAG_PHOTOMETRIC, &photometric);
  TIFFGetFieldDefaulted(t, TIFFTAG_ORIENTATION, &orientation);
  const bool grey = photometric == PHOTOMETRIC_MINISBLACK || layout.white_is_zero;
  check_samples(file, grey ? 1 : 3, layout.samples, layout.bits);
  check_size(file, width, height, limits);
  if (layout.ycbcr && (layout.samples != 3 || layout.bits != 8)) {
    throw wrong_image(file, fmt::format("stores luma and chroma with {} channels of {} bits; {}.",
                                        layout.samples, layout.bits, kReencode));
  }
  if (layout.white_is_zero && layout.alpha == TiffAlpha::multiplied) {
    throw wrong_image(file,
                      fmt::format("stores white as zero, multiplied by alpha; {}.", kReencode));
  }
  // A reduced-resolution preview may follow the image; a second full page may not.
  while (!limits.more_pages && TIFFReadDirectory(t) == 1) {
    std::uint32_t subtype = 0;
    TIFFGetFieldDefaulted(t, TIFFTAG_SUBFILETYPE, &subtype);
    if ((subtype & FILETYPE_REDUCEDIMAGE) == 0 && (subtype & FILETYPE_MASK) == 0) {
      throw wrong_image(file, "contains more than one page; export one image per file.");
    }
  }
  ImageInfo info;
  info.type = FileType::tiff;
  info.width_px = layout.width;
  info.height_px = layout.height;
  info.channels = layout.samples == 2 ? 4 : layout.samples;
  info.bits = layout.bits;
  info.orientation = orientation >= 1 && orientation <= 8 ? orientation : 1;
  info.grey = grey;
  return info;
}

cv::Mat read_tiff(const fs::path& file, const ImageInfo& info, int* first_missing) {
  const TiffFile tiff = open_tiff(file);
  cv::Mat image = decode_tiff(file, tiff, layout_of(tiff.get()), first_missing);
  return image.channels() == 2 && info.channels == 4 ? four_channels(image) : image;
}

void write_tiff(const fs::path& file, const cv::Mat& image, bool compress) {
  const TiffFile tiff(file, "w");
  TIFF* t = tiff.get();
  if (t == nullptr) throw not_written(file);
  const int channels = image.channels();
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, image.cols);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, image.rows);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, image.depth() == CV_16U ? 16 : 8);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, channels);
  TIFFSetField(t, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC, channels == 1 ? PHOTOMETRIC_MINISBLACK : PHOTOMETRIC_RGB);
  if (channels == 4) {
    const std::uint16_t alpha = EXTRASAMPLE_UNASSALPHA;
    TIFFSetField(t, TIFFTAG_EXTRASAMPLES, 1, &alpha);
  }
  if (compress) {
    // LZW is in TIFF 6.0 itself, so every reader and validator takes it; deflate came with a
    // supplement (docs/decisions/image-files.md has sizes and times of both).
    TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_LZW);
    TIFFSetField(t, TIFFTAG_PREDICTOR, PREDICTOR_HORIZONTAL);
  } else {
    TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_NONE);
  }
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 64);
  cv::Mat row;
  for (int y = 0; y < image.rows; ++y) {
    image.row(y).copyTo(row);  // the predictor works in place
    if (channels >= 3) swap_red_and_blue(row);
    if (TIFFWriteScanline(t, row.data, static_cast<std::uint32_t>(y)) != 1) {
      throw not_written(file);
    }
  }
  if (TIFFFlush(t) != 1) throw not_written(file);
}

}  // namespace trunnion

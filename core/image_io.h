// Image files in and out: TIFF (BigTIFF too), PNG and JPEG, 8 or 16 bits per channel, grey or
// colour, with or without alpha, through libtiff, libpng and libjpeg. All pixels in
// files pass here; each format has its own pair of files (image_tiff.h, image_png.h, image_jpeg.h).
//
// In memory an image is a cv::Mat, CV_8U or CV_16U, 1, 3 or 4 channels (BGR, BGRA as in OpenCV),
// upright: the file's orientation flag has been applied. Grey with alpha comes as BGRA with equal
// colours. Alpha is never multiplied into the colours: where a TIFF stores it so (ExtraSamples 1,
// TIFF 6.0 section 18), the colours are divided by it. A PNG's transparent colour (tRNS) becomes an
// alpha channel.
#pragma once

#include <cstdint>
#include <filesystem>
#include <opencv2/core.hpp>
#include <string>

namespace trunnion {

enum class FileType { tiff, png, jpeg };

// Pixels that one chroma sample of a JPEG covers: 4:4:4 is {1, 1}, 4:2:2 {2, 1}, 4:2:0 {2, 2}.
struct ChromaSampling {
  int x = 1;
  int y = 1;
  friend bool operator==(const ChromaSampling&, const ChromaSampling&) = default;
};

struct ImageInfo {
  FileType type = FileType::tiff;
  int width_px = 0;       // upright
  int height_px = 0;      // upright
  int channels = 0;       // in memory: 1, 3 or 4
  int bits = 0;           // 8 or 16
  int orientation = 1;    // Exif/TIFF 1..8 as stored in the file
  bool grey = false;      // one colour, with (4 channels) or without (1 channel) alpha
  ChromaSampling chroma;  // of a JPEG, upright
  friend bool operator==(const ImageInfo&, const ImageInfo&) = default;
};

struct ImageLimits {
  // A header that claims more is refused before any pixel is allocated.
  std::int64_t max_pixels = 400'000'000;
  // What is wrong with a file and yet accepted.
  bool truncated = false;        // TIFF in strips: what is missing at the end is filled
  bool wrong_extension = false;  // the content decides
  bool more_pages = false;       // the first page is read
};

// Reads the header only. Throws a data error that names the file, what is wrong and what to do:
// missing, empty, not an image, extension that contradicts the content, more pixels than allowed,
// palette, CMYK, float, more than one page, odd channel counts or bit depths.
ImageInfo probe_image(const std::filesystem::path& file, const ImageLimits& limits = {});

// Decodes the whole image, upright. Throws a data error also where the content is truncated or the
// codec notices damage, if only by a warning; where the limits accept a truncated file, the last
// row is repeated over what is missing, which `missing` holds (upright, empty for a whole image).
cv::Mat read_image(const std::filesystem::path& file, const ImageLimits& limits = {},
                   cv::Rect* missing = nullptr);

struct WriteOptions {
  FileType type = FileType::tiff;
  bool compress = true;        // TIFF: LZW with horizontal predictor; off: uncompressed
  int jpeg_quality = 97;       // high enough that the second compression costs less than the noise
  ChromaSampling chroma = {};  // JPEG; factors of 1 or 2
};

// Writes pixels only (metadata: see annotate). `file` is a temporary name of a PendingFile whose
// final name decides nothing: the type does. Throws an output error where the write fails.
void write_image(const std::filesystem::path& file, const cv::Mat& image,
                 const WriteOptions& options);

[[nodiscard]] const char* extension_of(FileType type);  // ".tif", ".png", ".jpg"
[[nodiscard]] const char* name_of(FileType type);       // "TIFF", "PNG", "JPEG"

}  // namespace trunnion

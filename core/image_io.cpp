#include "core/image_io.h"

#include <fmt/format.h>
#include <tiffio.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cstdio>
#include <exiv2/exiv2.hpp>
#include <fstream>
#include <memory>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/error.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

Error wrong(const fs::path& file, const std::string& what) {
  return data_error(fmt::format("{}: {}", file.string(), what));
}

Error not_written(const fs::path& file) {
  return output_error(fmt::format(
      "{}: writing failed; check space and permissions, then run again.", file.string()));
}

constexpr const char* kReencode =
    "export it again as TIFF, PNG or JPEG, grey or RGB, 8 or 16 bit a channel";

FileType type_from_content(const fs::path& file) {
  std::error_code code;
  if (!fs::exists(file, code)) throw wrong(file, "no such file; check the path.");
  if (!fs::is_regular_file(file, code)) throw wrong(file, "not a regular file; give an image.");
  if (fs::file_size(file, code) == 0) throw wrong(file, "is empty; export the image again.");
  std::ifstream stream(file, std::ios::binary);
  std::array<unsigned char, 8> head{};
  stream.read(reinterpret_cast<char*>(head.data()), head.size());
  if (stream.bad() || stream.gcount() < 8) {
    throw wrong(file, "cannot be read or is no image; check permissions and content.");
  }
  const auto starts = [&](std::initializer_list<int> magic) {
    return std::equal(magic.begin(), magic.end(), head.begin());
  };
  if (starts({0x49, 0x49, 42, 0}) || starts({0x4D, 0x4D, 0, 42}) || starts({0x49, 0x49, 43, 0}) ||
      starts({0x4D, 0x4D, 0, 43})) {
    return FileType::tiff;
  }
  if (starts({0x89, 'P', 'N', 'G', 0x0D, 0x0A, 0x1A, 0x0A})) return FileType::png;
  if (starts({0xFF, 0xD8, 0xFF})) return FileType::jpeg;
  throw wrong(file, fmt::format("content is neither TIFF, PNG nor JPEG; {}.", kReencode));
}

FileType type_from_extension(const fs::path& file) {
  std::string extension = file.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  if (extension == ".tif" || extension == ".tiff") return FileType::tiff;
  if (extension == ".png") return FileType::png;
  if (extension == ".jpg" || extension == ".jpeg") return FileType::jpeg;
  throw wrong(file, "extension is none of .tif, .tiff, .png, .jpg, .jpeg; rename the file.");
}

void check_samples(const fs::path& file, int channels, int bits) {
  if (channels != 1 && channels != 3 && channels != 4) {
    throw wrong(
        file, fmt::format("has {} channels, but 1, 3 or 4 are allowed; {}.", channels, kReencode));
  }
  if (bits != 8 && bits != 16) {
    throw wrong(
        file, fmt::format("has {} bits a channel, but 8 or 16 are allowed; {}.", bits, kReencode));
  }
}

void check_size(const fs::path& file, std::int64_t width, std::int64_t height,
                const ImageLimits& limits) {
  if (width <= 0 || height <= 0 || width > 1'000'000 || height > 1'000'000) {
    throw wrong(file, fmt::format("claims {} x {} pixels, which no image has; export it again.",
                                  width, height));
  }
  if (width * height > limits.max_pixels) {
    throw wrong(file, fmt::format("claims {} x {} = {} pixels, but at most {} are allowed; raise "
                                  "limits.max_megapixels where this is meant.",
                                  width, height, width * height, limits.max_pixels));
  }
}

// libtiff reports through a global handler; probing must stay silent and the cause must survive.
class QuietTiff {
 public:
  QuietTiff() : error_(TIFFSetErrorHandler(nullptr)), warning_(TIFFSetWarningHandler(nullptr)) {}
  QuietTiff(const QuietTiff&) = delete;
  QuietTiff& operator=(const QuietTiff&) = delete;
  ~QuietTiff() = default;  // handlers stay off: they are process-wide and other threads read too

 private:
  TIFFErrorHandler error_;
  TIFFErrorHandler warning_;
};

using TiffHandle = std::unique_ptr<TIFF, void (*)(TIFF*)>;

TiffHandle open_tiff(const fs::path& file, const char* mode) {
  static const QuietTiff quiet;
  return {TIFFOpen(file.c_str(), mode), &TIFFClose};
}

ImageInfo probe_tiff(const fs::path& file, const ImageLimits& limits) {
  const TiffHandle tiff = open_tiff(file, "rm");
  if (!tiff) throw wrong(file, "is a damaged TIFF; export it again.");
  std::uint32_t width = 0;
  std::uint32_t height = 0;
  std::uint16_t bits = 1;
  std::uint16_t samples = 1;
  std::uint16_t photometric = 0;
  std::uint16_t format = SAMPLEFORMAT_UINT;
  std::uint16_t orientation = 1;
  TIFFGetField(tiff.get(), TIFFTAG_IMAGEWIDTH, &width);
  TIFFGetField(tiff.get(), TIFFTAG_IMAGELENGTH, &height);
  TIFFGetFieldDefaulted(tiff.get(), TIFFTAG_BITSPERSAMPLE, &bits);
  TIFFGetFieldDefaulted(tiff.get(), TIFFTAG_SAMPLESPERPIXEL, &samples);
  TIFFGetFieldDefaulted(tiff.get(), TIFFTAG_SAMPLEFORMAT, &format);
  TIFFGetFieldDefaulted(tiff.get(), TIFFTAG_ORIENTATION, &orientation);
  if (TIFFGetField(tiff.get(), TIFFTAG_PHOTOMETRIC, &photometric) == 0) {
    throw wrong(file, "is a TIFF without photometric interpretation; export it again.");
  }
  if (photometric == PHOTOMETRIC_PALETTE) {
    throw wrong(file, fmt::format("has a colour palette; {}.", kReencode));
  }
  if (photometric == PHOTOMETRIC_SEPARATED) {
    throw wrong(file, fmt::format("has CMYK inks; {}.", kReencode));
  }
  if (photometric != PHOTOMETRIC_RGB && photometric != PHOTOMETRIC_MINISBLACK &&
      photometric != PHOTOMETRIC_MINISWHITE && photometric != PHOTOMETRIC_YCBCR) {
    throw wrong(file, fmt::format("has the photometric interpretation {}, but grey or RGB is "
                                  "needed; {}.",
                                  photometric, kReencode));
  }
  if (format != SAMPLEFORMAT_UINT) {
    throw wrong(file, fmt::format("holds signed or floating-point samples; {}.", kReencode));
  }
  check_samples(file, samples, bits);
  check_size(file, width, height, limits);
  // A reduced-resolution preview may follow the image; a second full page may not.
  while (!limits.more_pages && TIFFReadDirectory(tiff.get()) == 1) {
    std::uint32_t subtype = 0;
    TIFFGetFieldDefaulted(tiff.get(), TIFFTAG_SUBFILETYPE, &subtype);
    if ((subtype & FILETYPE_REDUCEDIMAGE) == 0 && (subtype & FILETYPE_MASK) == 0) {
      throw wrong(file, "holds more than one page; export one image a file.");
    }
  }
  ImageInfo info{FileType::tiff, static_cast<int>(width), static_cast<int>(height), samples, bits,
                 orientation};
  if (info.orientation < 1 || info.orientation > 8) info.orientation = 1;
  return info;
}

std::uint32_t big_endian(const unsigned char* bytes) {
  return (static_cast<std::uint32_t>(bytes[0]) << 24U) |
         (static_cast<std::uint32_t>(bytes[1]) << 16U) |
         (static_cast<std::uint32_t>(bytes[2]) << 8U) | static_cast<std::uint32_t>(bytes[3]);
}

ImageInfo probe_png(const fs::path& file, const ImageLimits& limits) {
  std::ifstream stream(file, std::ios::binary);
  std::array<unsigned char, 26> head{};  // signature, then IHDR (W3C PNG, 11.2.2)
  stream.read(reinterpret_cast<char*>(head.data()), head.size());
  if (stream.gcount() < static_cast<std::streamsize>(head.size())) {
    throw wrong(file, "is a truncated PNG; export it again.");
  }
  const int bits = head[24];
  const int colour = head[25];
  if (colour == 3) throw wrong(file, fmt::format("has a colour palette; {}.", kReencode));
  if (colour != 0 && colour != 2 && colour != 4 && colour != 6) {
    throw wrong(file, "is a damaged PNG (unknown colour type); export it again.");
  }
  const std::array<int, 7> channels{1, 0, 3, 0, 2, 0, 4};
  check_samples(file, channels[static_cast<std::size_t>(colour)], bits);
  const std::int64_t width = big_endian(&head[16]);
  const std::int64_t height = big_endian(&head[20]);
  check_size(file, width, height, limits);
  return {FileType::png,
          static_cast<int>(width),
          static_cast<int>(height),
          channels[static_cast<std::size_t>(colour)],
          bits,
          1};
}

ImageInfo probe_jpeg(const fs::path& file, const ImageLimits& limits) {
  std::ifstream stream(file, std::ios::binary);
  stream.seekg(2);
  std::array<unsigned char, 10> segment{};
  // Walk the marker segments to the frame header SOFn (ITU-T T.81, B.2.2).
  while (stream.read(reinterpret_cast<char*>(segment.data()), 4)) {
    if (segment[0] != 0xFF) break;
    const int marker = segment[1];
    if (marker == 0xFF) {
      stream.seekg(-3, std::ios::cur);
      continue;
    }
    const int length = segment[2] * 256 + segment[3];
    const bool frame =
        marker >= 0xC0 && marker <= 0xCF && marker != 0xC4 && marker != 0xC8 && marker != 0xCC;
    if (frame) {
      if (!stream.read(reinterpret_cast<char*>(segment.data()), 6)) break;
      const int bits = segment[0];
      const int height = segment[1] * 256 + segment[2];
      const int width = segment[3] * 256 + segment[4];
      const int channels = segment[5];
      if (channels == 4) throw wrong(file, fmt::format("has CMYK inks; {}.", kReencode));
      check_samples(file, channels, bits);
      check_size(file, width, height, limits);
      return {FileType::jpeg, width, height, channels, bits, 1};
    }
    if (length < 2 || marker == 0xDA) break;
    stream.seekg(length - 2, std::ios::cur);
  }
  throw wrong(file, "is a damaged JPEG (no frame header); export it again.");
}

int exif_orientation(const fs::path& file) {
  try {
    const std::unique_ptr<Exiv2::Image> image(Exiv2::ImageFactory::open(file.string()).release());
    image->readMetadata();
    const auto found = image->exifData().findKey(Exiv2::ExifKey("Exif.Image.Orientation"));
    if (found == image->exifData().end() || found->count() == 0) return 1;
    const auto value = static_cast<int>(found->toLong());
    return value >= 1 && value <= 8 ? value : 1;
  } catch (const Exiv2::Error&) {
    return 1;  // damaged metadata is judged where metadata is carried; pixels are still good
  }
}

// Exif 2.32, 4.6.4 A: where row 0 and column 0 of the stored image belong.
cv::Mat upright(const cv::Mat& stored, int orientation) {
  cv::Mat image;
  switch (orientation) {
    case 2:
      cv::flip(stored, image, 1);
      return image;
    case 3:
      cv::rotate(stored, image, cv::ROTATE_180);
      return image;
    case 4:
      cv::flip(stored, image, 0);
      return image;
    case 5:
      cv::transpose(stored, image);
      return image;
    case 6:
      cv::rotate(stored, image, cv::ROTATE_90_CLOCKWISE);
      return image;
    case 7:
      cv::transpose(stored, image);
      cv::rotate(image, image, cv::ROTATE_180);
      return image;
    case 8:
      cv::rotate(stored, image, cv::ROTATE_90_COUNTERCLOCKWISE);
      return image;
    default:
      return stored;
  }
}

// The decoders fill what is missing with grey and say nothing: look for the end of the data.
void check_complete(const fs::path& file, FileType type) {
  if (type == FileType::tiff) {
    const TiffHandle tiff = open_tiff(file, "rm");
    if (!tiff) throw wrong(file, "is a damaged TIFF; export it again.");
    const std::uint64_t size = fs::file_size(file);
    const bool tiled = TIFFIsTiled(tiff.get()) != 0;
    const std::uint32_t blocks =
        tiled ? TIFFNumberOfTiles(tiff.get()) : TIFFNumberOfStrips(tiff.get());
    for (std::uint32_t i = 0; i < blocks; ++i) {
      const std::uint64_t offset = TIFFGetStrileOffset(tiff.get(), i);
      const std::uint64_t bytes = TIFFGetStrileByteCount(tiff.get(), i);
      if (bytes == 0 || offset > size || bytes > size - offset) {
        throw wrong(file, fmt::format("is truncated: block {} of {} lies beyond the end of the "
                                      "file; export it again.",
                                      i + 1, blocks));
      }
    }
    return;
  }
  const std::string_view end_mark =
      type == FileType::png ? std::string_view("IEND") : std::string_view("\xFF\xD9");
  std::ifstream stream(file, std::ios::binary | std::ios::ate);
  const auto size = static_cast<std::streamoff>(stream.tellg());
  // Trailing bytes after the end mark are common and harmless.
  const std::streamoff tail = std::min<std::streamoff>(size, 64 * 1024);
  std::string content(static_cast<std::size_t>(tail), '\0');
  stream.seekg(size - tail);
  stream.read(content.data(), tail);
  if (content.find(end_mark) == std::string::npos) {
    throw wrong(file, "is truncated: the end mark is missing; export it again.");
  }
}

template <typename T>
void swap_red_and_blue(cv::Mat& part, int channels) {
  for (int y = 0; y < part.rows; ++y) {
    T* pixel = part.ptr<T>(y);
    for (T* const end = pixel + part.cols * channels; pixel < end; pixel += channels) {
      std::swap(pixel[0], pixel[2]);
    }
  }
}

// In place; the library's conversion would copy.
void swap_red_and_blue(cv::Mat& part) {
  if (part.depth() == CV_16U) {
    swap_red_and_blue<std::uint16_t>(part, part.channels());
  } else {
    swap_red_and_blue<std::uint8_t>(part, part.channels());
  }
}

// Where the rows from `first` on of a stored image lie once it is upright (see `upright`).
cv::Rect rows_upright(int first, const cv::Size& stored, int orientation) {
  const int rows = stored.height - first;
  switch (orientation) {
    case 3:
    case 4:
      return {0, 0, stored.width, rows};
    case 5:
    case 8:
      return {first, 0, rows, stored.width};
    case 6:
    case 7:
      return {0, 0, rows, stored.width};
    default:
      return {0, first, stored.width, rows};
  }
}

// The last row that was read goes on to the end, so that no edge appears where the data stop.
void fill_from(cv::Mat& image, int first) {
  for (int y = first; y < image.rows; ++y) image.row(first - 1).copyTo(image.row(y));
}

// OpenCV multiplies colour by alpha when it reads 8-bit RGBA TIFF and hides truncated strips, so
// chunky grey and RGB are read here; other layouts (planes, YCbCr) return false. With `missing`
// what lacks at the end is filled.
bool read_tiff(const fs::path& file, const ImageInfo& info, cv::Mat& image, cv::Rect* missing) {
  const TiffHandle tiff = open_tiff(file, "rm");
  if (!tiff) throw wrong(file, "is a damaged TIFF; export it again.");
  TIFF* t = tiff.get();
  std::uint16_t planar = PLANARCONFIG_CONTIG;
  std::uint16_t photometric = PHOTOMETRIC_RGB;
  TIFFGetFieldDefaulted(t, TIFFTAG_PLANARCONFIG, &planar);
  TIFFGetField(t, TIFFTAG_PHOTOMETRIC, &photometric);
  if (TIFFIsTiled(t) != 0 || photometric == PHOTOMETRIC_YCBCR ||
      (planar != PLANARCONFIG_CONTIG && info.channels > 1)) {
    return false;
  }
  const bool turned = info.orientation >= 5;
  const int width = turned ? info.height_px : info.width_px;
  const int height = turned ? info.width_px : info.height_px;
  image.create(height, width, CV_MAKETYPE(info.bits == 16 ? CV_16U : CV_8U, info.channels));
  // Whole strips: libtiff then decodes deflate in one go, half as long as row by row.
  std::uint32_t strip_rows = 0;
  TIFFGetFieldDefaulted(t, TIFFTAG_ROWSPERSTRIP, &strip_rows);
  const int step = static_cast<int>(std::clamp<std::int64_t>(strip_rows, 1, height));
  const auto row_bytes = static_cast<tmsize_t>(image.step[0]);
  for (int first = 0; first < height; first += step) {
    const int rows = std::min(step, height - first);
    const auto strip = static_cast<std::uint32_t>(first / step);
    const tmsize_t bytes = rows * row_bytes;
    if (TIFFScanlineSize(t) != row_bytes ||
        TIFFReadEncodedStrip(t, strip, image.ptr(first), bytes) != bytes) {
      if (missing != nullptr && first > 0) {
        fill_from(image, first);
        *missing = rows_upright(first, image.size(), info.orientation);
        break;
      }
      throw wrong(file, fmt::format("cannot be decoded from row {} of {} on; export it again.",
                                    first + 1, height));
    }
    cv::Mat part = image.rowRange(first, first + rows);
    if (info.channels > 1) {
      swap_red_and_blue(part);
    } else if (photometric == PHOTOMETRIC_MINISWHITE) {
      cv::bitwise_not(part, part);
    }
  }
  image = upright(image, info.orientation);
  return true;
}

void write_tiff(const fs::path& file, const cv::Mat& image, bool compress) {
  const TiffHandle tiff = open_tiff(file, "w");
  if (!tiff) throw not_written(file);
  const int bits = image.depth() == CV_16U ? 16 : 8;
  const int channels = image.channels();
  TIFF* t = tiff.get();
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, image.cols);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, image.rows);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, bits);
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
    // supplement (docs/decisions.md has sizes and times of both).
    TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_LZW);
    TIFFSetField(t, TIFFTAG_PREDICTOR, PREDICTOR_HORIZONTAL);
  } else {
    TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_NONE);
  }
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 64);
  cv::Mat row;
  for (int y = 0; y < image.rows; ++y) {
    const cv::Mat source = image.row(y);
    if (channels == 3) {
      cv::cvtColor(source, row, cv::COLOR_BGR2RGB);
    } else if (channels == 4) {
      cv::cvtColor(source, row, cv::COLOR_BGRA2RGBA);
    } else {
      source.copyTo(row);  // the predictor works in place
    }
    if (TIFFWriteScanline(t, row.data, static_cast<std::uint32_t>(y)) != 1) {
      throw not_written(file);
    }
  }
  if (TIFFFlush(t) != 1) {
    throw not_written(file);
  }
}

// Runs only, of rows less their left neighbours: noise repeats nothing that a search for longer
// matches would find (docs/decisions.md).
std::vector<int> png_parameters(bool compress) {
  if (!compress) return {cv::IMWRITE_PNG_COMPRESSION, 0};
  return {cv::IMWRITE_PNG_STRATEGY, cv::IMWRITE_PNG_STRATEGY_RLE};
}

}  // namespace

const char* extension_of(FileType type) {
  return type == FileType::tiff ? ".tif" : type == FileType::png ? ".png" : ".jpg";
}

const char* name_of(FileType type) {
  return type == FileType::tiff ? "TIFF" : type == FileType::png ? "PNG" : "JPEG";
}

ImageInfo probe_image(const fs::path& file, const ImageLimits& limits) {
  const FileType content = type_from_content(file);
  if (!limits.wrong_extension && type_from_extension(file) != content) {
    throw wrong(file, fmt::format("is a {} file by its content, but its extension says otherwise; "
                                  "rename it to end in {}.",
                                  name_of(content), extension_of(content)));
  }
  ImageInfo info = content == FileType::tiff  ? probe_tiff(file, limits)
                   : content == FileType::png ? probe_png(file, limits)
                                              : probe_jpeg(file, limits);
  if (content != FileType::tiff) info.orientation = exif_orientation(file);
  if (info.orientation >= 5) std::swap(info.width_px, info.height_px);
  return info;
}

cv::Mat read_image(const fs::path& file, const ImageLimits& limits, cv::Rect* missing) {
  const ImageInfo info = probe_image(file, limits);
  const bool fill = limits.truncated && info.type == FileType::tiff;
  cv::Rect filled;
  cv::Mat image;
  if (!fill) check_complete(file, info.type);
  if (info.type == FileType::tiff && read_tiff(file, info, image, fill ? &filled : nullptr)) {
    if (missing != nullptr) *missing = filled;
    return image;
  }
  if (fill) check_complete(file, info.type);
  try {
    // UNCHANGED keeps depth and alpha; of the codecs only TIFF turns the image upright by itself.
    image = cv::imread(file.string(), cv::IMREAD_UNCHANGED);
  } catch (const cv::Exception& error) {
    throw wrong(file, fmt::format("cannot be decoded ({}); export it again.", error.err));
  }
  if (image.empty()) throw wrong(file, "cannot be decoded; export it again.");
  if (info.type != FileType::tiff) image = upright(image, info.orientation);
  const int bits = image.depth() == CV_16U ? 16 : 8;
  if (image.cols != info.width_px || image.rows != info.height_px || bits != info.bits ||
      image.channels() != info.channels) {
    throw wrong(file, fmt::format("decodes to {} x {} pixels, {} channels, {} bits, but its header "
                                  "says {} x {}, {}, {}; export it again.",
                                  image.cols, image.rows, image.channels(), bits, info.width_px,
                                  info.height_px, info.channels, info.bits));
  }
  return image;
}

void write_image(const fs::path& file, const cv::Mat& image, const WriteOptions& options) {
  if (image.depth() != CV_8U && image.depth() != CV_16U) {
    throw wrong(file, "only 8 and 16 bit images can be written.");
  }
  if (options.type == FileType::tiff) {
    write_tiff(file, image, options.compress);
    return;
  }
  if (options.type == FileType::jpeg && (image.depth() != CV_8U || image.channels() == 4)) {
    throw wrong(file, "JPEG holds 8 bit without alpha; choose TIFF or PNG in output.type.");
  }
  const std::vector<int> parameters =
      options.type == FileType::jpeg
          ? std::vector<int>{cv::IMWRITE_JPEG_QUALITY, options.jpeg_quality}
          : png_parameters(options.compress);
  bool written = false;
  try {
    written = cv::imwrite(file.string(), image, parameters);
  } catch (const cv::Exception&) {
    written = false;
  }
  if (!written) throw not_written(file);
}

}  // namespace trunnion

#include "core/image_png.h"

#include <fmt/format.h>
#include <png.h>
#include <zlib.h>

#include <array>
#include <csetjmp>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <memory>
#include <vector>

#include "core/image_format.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr int kSignatureBytes = 8;

std::uint32_t big_endian(const unsigned char* bytes) {
  return (static_cast<std::uint32_t>(bytes[0]) << 24U) |
         (static_cast<std::uint32_t>(bytes[1]) << 16U) |
         (static_cast<std::uint32_t>(bytes[2]) << 8U) | static_cast<std::uint32_t>(bytes[3]);
}

// A tRNS chunk between the header and the pixels (W3C PNG, third edition, 5.6).
bool has_transparent_colour(std::ifstream& stream) {
  stream.seekg(kSignatureBytes);
  std::array<unsigned char, 8> head{};
  while (stream.read(reinterpret_cast<char*>(head.data()), head.size())) {
    const std::string type(reinterpret_cast<const char*>(head.data()) + 4, 4);
    if (type == "tRNS") return true;
    if (type == "IDAT" || type == "IEND") return false;
    stream.seekg(static_cast<std::streamoff>(big_endian(head.data())) + 4, std::ios::cur);
  }
  return false;
}

// What the library calls where it gives up and where it only complains.
struct PngOutcome {
  std::jmp_buf back;
  std::array<char, 200> why{};
};

[[noreturn]] void give_up(png_structp png, png_const_charp why) {
  auto* outcome = static_cast<PngOutcome*>(png_get_error_ptr(png));
  std::strncpy(outcome->why.data(), why, outcome->why.size() - 1);
  std::longjmp(outcome->back, 1);  // NOLINT(cert-err52-cpp): no exception passes through C
}

// Only ancillary chunks raise warnings: damage in header, palette or pixels is an error.
void ignore(png_structp /*png*/, png_const_charp /*why*/) {}

class Reader {
 public:
  explicit Reader(PngOutcome& outcome)
      : png_(png_create_read_struct(PNG_LIBPNG_VER_STRING, &outcome, give_up, ignore)),
        info_(png_create_info_struct(png_)) {}
  Reader(const Reader&) = delete;
  Reader& operator=(const Reader&) = delete;
  ~Reader() { png_destroy_read_struct(&png_, &info_, nullptr); }
  [[nodiscard]] png_structp png() const { return png_; }
  [[nodiscard]] png_infop info() const { return info_; }

 private:
  png_structp png_;
  png_infop info_;
};

class Writer {
 public:
  explicit Writer(PngOutcome& outcome)
      : png_(png_create_write_struct(PNG_LIBPNG_VER_STRING, &outcome, give_up, ignore)),
        info_(png_create_info_struct(png_)) {}
  Writer(const Writer&) = delete;
  Writer& operator=(const Writer&) = delete;
  ~Writer() { png_destroy_write_struct(&png_, &info_); }
  [[nodiscard]] png_structp png() const { return png_; }
  [[nodiscard]] png_infop info() const { return info_; }

 private:
  png_structp png_;
  png_infop info_;
};

// Nothing with a destructor may live here: the library leaves by a long jump. False: see `outcome`.
bool read_header(PngOutcome& outcome, const Reader& reader, std::FILE* file) {
  // NOLINTNEXTLINE(cert-err52-cpp)
  if (setjmp(outcome.back) != 0) return false;
  png_structp png = reader.png();
  png_init_io(png, file);
  png_read_info(png, reader.info());
  const int colour = png_get_color_type(png, reader.info());
  const bool transparent = png_get_valid(png, reader.info(), PNG_INFO_tRNS) != 0;
  if (transparent) png_set_tRNS_to_alpha(png);
  if (colour == PNG_COLOR_TYPE_GRAY_ALPHA || (colour == PNG_COLOR_TYPE_GRAY && transparent)) {
    png_set_gray_to_rgb(png);
  }
  png_set_bgr(png);
  png_set_swap(png);  // 16-bit samples are stored big-endian
  png_set_interlace_handling(png);
  png_read_update_info(png, reader.info());
  return true;
}

bool read_rows(PngOutcome& outcome, const Reader& reader, png_bytepp rows) {
  // NOLINTNEXTLINE(cert-err52-cpp)
  if (setjmp(outcome.back) != 0) return false;
  png_read_image(reader.png(), rows);
  png_read_end(reader.png(), nullptr);
  return true;
}

bool write_rows(PngOutcome& outcome, const Writer& writer, std::FILE* file, png_bytepp rows,
                const cv::Mat& image, bool compress) {
  // NOLINTNEXTLINE(cert-err52-cpp)
  if (setjmp(outcome.back) != 0) return false;
  constexpr std::array<int, 5> colours{0, PNG_COLOR_TYPE_GRAY, PNG_COLOR_TYPE_GRAY_ALPHA,
                                       PNG_COLOR_TYPE_RGB, PNG_COLOR_TYPE_RGB_ALPHA};
  png_structp png = writer.png();
  png_init_io(png, file);
  if (compress) {
    // Runs only, of rows less their left neighbours: noise repeats nothing that a search for longer
    // matches would find (docs/decisions/image-files.md).
    png_set_filter(png, PNG_FILTER_TYPE_BASE, PNG_FILTER_SUB);
    png_set_compression_level(png, Z_BEST_SPEED);
    png_set_compression_strategy(png, Z_RLE);
  } else {
    png_set_compression_level(png, Z_NO_COMPRESSION);
    png_set_compression_strategy(png, Z_DEFAULT_STRATEGY);
  }
  png_set_IHDR(png, writer.info(), static_cast<png_uint_32>(image.cols),
               static_cast<png_uint_32>(image.rows), image.depth() == CV_16U ? 16 : 8,
               colours[static_cast<std::size_t>(image.channels())], PNG_INTERLACE_NONE,
               PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
  png_write_info(png, writer.info());
  png_set_bgr(png);
  png_set_swap(png);
  png_write_image(png, rows);
  png_write_end(png, writer.info());
  return std::fflush(file) == 0;
}

std::vector<png_bytep> row_pointers(const cv::Mat& image) {
  std::vector<png_bytep> rows;
  for (int y = 0; y < image.rows; ++y) rows.push_back(const_cast<png_bytep>(image.ptr(y)));
  return rows;
}

using PngFile = std::unique_ptr<std::FILE, int (*)(std::FILE*)>;

}  // namespace

ImageInfo probe_png(const fs::path& file, const ImageLimits& limits) {
  std::ifstream stream(file, std::ios::binary);
  std::array<unsigned char, 26> head{};  // signature, then IHDR (W3C PNG, 11.2.2)
  stream.read(reinterpret_cast<char*>(head.data()), head.size());
  if (stream.gcount() < static_cast<std::streamsize>(head.size())) {
    throw wrong_image(file, "is a truncated PNG; export it again.");
  }
  const int bits = head[24];
  const int colour = head[25];
  if (colour == PNG_COLOR_TYPE_PALETTE) {
    throw wrong_image(file, fmt::format("has a colour palette; {}.", kReencode));
  }
  if (colour != PNG_COLOR_TYPE_GRAY && colour != PNG_COLOR_TYPE_RGB &&
      colour != PNG_COLOR_TYPE_GRAY_ALPHA && colour != PNG_COLOR_TYPE_RGB_ALPHA) {
    throw wrong_image(file, "is a damaged PNG (unknown colour type); export it again.");
  }
  const bool grey = (colour & PNG_COLOR_MASK_COLOR) == 0;
  const int colours = grey ? 1 : 3;
  const bool alpha = (colour & PNG_COLOR_MASK_ALPHA) != 0 || has_transparent_colour(stream);
  check_samples(file, colours, alpha ? colours + 1 : colours, bits);
  const std::int64_t width = big_endian(&head[16]);
  const std::int64_t height = big_endian(&head[20]);
  check_size(file, width, height, limits);
  ImageInfo info;
  info.type = FileType::png;
  info.width_px = static_cast<int>(width);
  info.height_px = static_cast<int>(height);
  info.channels = alpha ? 4 : colours;
  info.bits = bits;
  info.grey = grey;
  return info;
}

cv::Mat read_png(const fs::path& file, const ImageInfo& info) {
  const PngFile stream(std::fopen(file.c_str(), "rb"), &std::fclose);
  if (!stream) throw wrong_image(file, "cannot be read; check permissions.");
  PngOutcome outcome;
  const Reader reader(outcome);
  const auto undecodable = [&] {
    return wrong_image(file,
                       fmt::format("cannot be decoded ({}); export it again.", outcome.why.data()));
  };
  if (!read_header(outcome, reader, stream.get())) throw undecodable();
  cv::Mat image(static_cast<int>(png_get_image_height(reader.png(), reader.info())),
                static_cast<int>(png_get_image_width(reader.png(), reader.info())),
                CV_MAKETYPE(info.bits == 16 ? CV_16U : CV_8U, info.channels));
  if (image.cols != info.width_px || image.rows != info.height_px ||
      png_get_rowbytes(reader.png(), reader.info()) != image.step[0]) {
    throw wrong_image(file,
                      "is a damaged PNG (its chunks contradict each other); export it "
                      "again.");
  }
  std::vector<png_bytep> rows = row_pointers(image);
  if (!read_rows(outcome, reader, rows.data())) throw undecodable();
  return image;
}

void write_png(const fs::path& file, const cv::Mat& image, bool compress) {
  PngFile stream(std::fopen(file.c_str(), "wb"), &std::fclose);
  if (!stream) throw not_written(file);
  PngOutcome outcome;
  const Writer writer(outcome);
  std::vector<png_bytep> rows = row_pointers(image);
  const bool whole = write_rows(outcome, writer, stream.get(), rows.data(), image, compress);
  if (!whole || std::fclose(stream.release()) != 0) throw not_written(file);
}

}  // namespace trunnion

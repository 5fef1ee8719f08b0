#include "core/image_jpeg.h"

#include <fmt/format.h>

#include <array>
#include <csetjmp>
#include <cstdio>
#include <fstream>
#include <memory>
#include <optional>
// After cstdio: the library's headers need its types.
#include <jpeglib.h>
// After jpeglib.h.
#include <jerror.h>

#include "core/image_format.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;
using JpegFile = std::unique_ptr<std::FILE, int (*)(std::FILE*)>;

// ITU-T T.81, B.2.2: the frame header behind its marker, and what it says of each component.
struct FrameHeader {
  int bits = 0;
  int width = 0;
  int height = 0;
  int components = 0;
  std::array<unsigned char, 9> sampling{};  // of three components: name, factors, table
};

// Walks the marker segments to the frame header SOFn.
std::optional<FrameHeader> frame_header(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  stream.seekg(2);
  std::array<unsigned char, 6> segment{};
  const auto read = [&stream](unsigned char* to, int bytes) {
    return static_cast<bool>(stream.read(reinterpret_cast<char*>(to), bytes));
  };
  while (read(segment.data(), 4)) {
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
      if (!read(segment.data(), 6)) break;
      FrameHeader header{
          segment[0], segment[3] * 256 + segment[4], segment[1] * 256 + segment[2], segment[5], {}};
      if (header.components == 3) read(header.sampling.data(), 9);
      return header;
    }
    if (length < 2 || marker == 0xDA) break;
    stream.seekg(length - 2, std::ios::cur);
  }
  return std::nullopt;
}

// How much wider and higher than a chroma sample the luma samples lie; 1 for what we do not write.
ChromaSampling chroma_of(const FrameHeader& header) {
  if (header.components != 3 || header.sampling[4] != header.sampling[7]) return {};
  const int luma = header.sampling[1];
  const int chroma = header.sampling[4];
  const int chroma_x = chroma >> 4;
  const int chroma_y = chroma & 15;
  if (chroma_x == 0 || chroma_y == 0) return {};
  const ChromaSampling covers{(luma >> 4) / chroma_x, (luma & 15) / chroma_y};
  const bool usual = (covers.x == 1 || covers.x == 2 || covers.x == 4) &&
                     (covers.y == 1 || covers.y == 2 || covers.y == 4) && covers.x * covers.y <= 8;
  return usual ? covers : ChromaSampling{};
}

// What the library says: its errors end the work by a long jump, of its warnings the first is kept.
struct JpegOutcome {
  jpeg_error_mgr manager{};  // first, so that the library's pointer is ours
  std::jmp_buf back{};
  bool warned = false;
  bool breaks_off = false;
  std::array<char, JMSG_LENGTH_MAX> why{};
};

[[noreturn]] void give_up(j_common_ptr codec) {
  auto* outcome = reinterpret_cast<JpegOutcome*>(codec->err);
  outcome->manager.format_message(codec, outcome->why.data());
  std::longjmp(outcome->back, 1);  // NOLINT(cert-err52-cpp): no exception passes through C
}

void note(j_common_ptr codec, int level) {
  auto* outcome = reinterpret_cast<JpegOutcome*>(codec->err);
  const int code = outcome->manager.msg_code;
  // A version of the file's frame that the library does not know says nothing of the pixels.
  if (level >= 0 || code == JWRN_JFIF_MAJOR || outcome->warned) return;
  outcome->warned = true;
  outcome->breaks_off = code == JWRN_JPEG_EOF;
  outcome->manager.format_message(codec, outcome->why.data());
}

void discard(j_common_ptr /*codec*/) {}

void prepare(JpegOutcome& outcome) {
  jpeg_std_error(&outcome.manager);
  outcome.manager.error_exit = give_up;
  outcome.manager.emit_message = note;
  outcome.manager.output_message = discard;
}

struct Decompressor {
  jpeg_decompress_struct codec{};
  ~Decompressor() { jpeg_destroy_decompress(&codec); }
};

struct Compressor {
  jpeg_compress_struct codec{};
  ~Compressor() { jpeg_destroy_compress(&codec); }
};

// Nothing with a destructor may live in these two: the library leaves by a long jump.
bool decode(JpegOutcome& outcome, jpeg_decompress_struct& codec, std::FILE* file, cv::Mat& image) {
  codec.err = &outcome.manager;
  // NOLINTNEXTLINE(cert-err52-cpp)
  if (setjmp(outcome.back) != 0) return false;
  jpeg_create_decompress(&codec);
  jpeg_stdio_src(&codec, file);
  jpeg_read_header(&codec, TRUE);
  codec.out_color_space = image.channels() == 1 ? JCS_GRAYSCALE : JCS_EXT_BGR;
  jpeg_start_decompress(&codec);
  if (static_cast<int>(codec.output_width) != image.cols ||
      static_cast<int>(codec.output_height) != image.rows ||
      codec.output_components != image.channels()) {
    return false;
  }
  while (codec.output_scanline < codec.output_height) {
    JSAMPROW row = image.ptr(static_cast<int>(codec.output_scanline));
    jpeg_read_scanlines(&codec, &row, 1);
  }
  jpeg_finish_decompress(&codec);
  return true;
}

bool encode(JpegOutcome& outcome, jpeg_compress_struct& codec, std::FILE* file,
            const cv::Mat& image, const WriteOptions& options) {
  codec.err = &outcome.manager;
  // NOLINTNEXTLINE(cert-err52-cpp)
  if (setjmp(outcome.back) != 0) return false;
  jpeg_create_compress(&codec);
  jpeg_stdio_dest(&codec, file);
  codec.image_width = static_cast<JDIMENSION>(image.cols);
  codec.image_height = static_cast<JDIMENSION>(image.rows);
  codec.input_components = image.channels();
  codec.in_color_space = image.channels() == 1 ? JCS_GRAYSCALE : JCS_EXT_BGR;
  jpeg_set_defaults(&codec);
  jpeg_set_quality(&codec, options.jpeg_quality, TRUE);
  if (image.channels() == 3) {
    codec.comp_info[0].h_samp_factor = options.chroma.x;
    codec.comp_info[0].v_samp_factor = options.chroma.y;
  }
  jpeg_start_compress(&codec, TRUE);
  while (codec.next_scanline < codec.image_height) {
    // The library's rows are not const, but it only reads them.
    JSAMPROW row = const_cast<JSAMPROW>(image.ptr(static_cast<int>(codec.next_scanline)));
    jpeg_write_scanlines(&codec, &row, 1);
  }
  jpeg_finish_compress(&codec);
  return std::fflush(file) == 0;
}

}  // namespace

ImageInfo probe_jpeg(const fs::path& file, const ImageLimits& limits) {
  const auto header = frame_header(file);
  if (!header) throw wrong_image(file, "is a damaged JPEG (no frame header); export it again.");
  if (header->components == 4) {
    throw wrong_image(file, fmt::format("has CMYK inks; {}.", kReencode));
  }
  const bool grey = header->components == 1;
  check_samples(file, grey ? 1 : 3, header->components, header->bits);
  check_size(file, header->width, header->height, limits);
  ImageInfo info;
  info.type = FileType::jpeg;
  info.width_px = header->width;
  info.height_px = header->height;
  info.channels = header->components;
  info.bits = header->bits;
  info.grey = grey;
  info.chroma = chroma_of(*header);
  return info;
}

cv::Mat read_jpeg(const fs::path& file, const ImageInfo& info) {
  const JpegFile stream(std::fopen(file.c_str(), "rb"), &std::fclose);
  if (!stream) throw wrong_image(file, "cannot be read; check permissions.");
  cv::Mat image(info.height_px, info.width_px, CV_MAKETYPE(CV_8U, info.channels));
  JpegOutcome outcome;
  prepare(outcome);
  Decompressor decompressor;
  const bool done = decode(outcome, decompressor.codec, stream.get(), image);
  if (outcome.breaks_off) {
    throw wrong_image(file, "is truncated: the end mark is missing; export it again.");
  }
  if (!done || outcome.warned) {
    const std::string why = outcome.why.data();
    throw wrong_image(file, fmt::format("is a damaged JPEG ({}); export it again.",
                                        why.empty() ? "its parts contradict each other" : why));
  }
  return image;
}

void write_jpeg(const fs::path& file, const cv::Mat& image, const WriteOptions& options) {
  JpegFile stream(std::fopen(file.c_str(), "wb"), &std::fclose);
  if (!stream) throw not_written(file);
  JpegOutcome outcome;
  prepare(outcome);
  Compressor compressor;
  const bool whole = encode(outcome, compressor.codec, stream.get(), image, options);
  if (!whole || std::fclose(stream.release()) != 0) throw not_written(file);
}

}  // namespace trunnion

#include "core/image_tiff_pixels.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cstring>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "core/image_format.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

// What a truncated file lacks: some block of pixels lies beyond its end.
void check_blocks(const fs::path& file, TIFF* t) {
  const std::uint64_t size = fs::file_size(file);
  const std::uint32_t blocks = TIFFIsTiled(t) != 0 ? TIFFNumberOfTiles(t) : TIFFNumberOfStrips(t);
  for (std::uint32_t i = 0; i < blocks; ++i) {
    const std::uint64_t offset = TIFFGetStrileOffset(t, i);
    const std::uint64_t bytes = TIFFGetStrileByteCount(t, i);
    if (bytes == 0 || offset > size || bytes > size - offset) {
      throw wrong_image(file, fmt::format("is truncated: block {} of {} lies beyond the end of the "
                                          "file; export it again.",
                                          i + 1, blocks));
    }
  }
}

template <typename T>
void divide_by_alpha(cv::Mat& rows) {
  constexpr std::uint32_t kFull = std::numeric_limits<T>::max();
  const int channels = rows.channels();
  for (int y = 0; y < rows.rows; ++y) {
    T* pixel = rows.ptr<T>(y);
    for (T* const end = pixel + rows.cols * channels; pixel < end; pixel += channels) {
      const std::uint32_t alpha = pixel[channels - 1];
      for (int c = 0; c + 1 < channels; ++c) {
        const std::uint32_t value = pixel[c];
        pixel[c] =
            static_cast<T>(alpha == 0 ? 0U : std::min(kFull, (value * kFull + alpha / 2) / alpha));
      }
    }
  }
}

// From samples as stored to ours.
void finish_rows(cv::Mat rows, const TiffLayout& layout) {
  if (layout.alpha == TiffAlpha::multiplied) {
    if (layout.bits == 16) {
      divide_by_alpha<std::uint16_t>(rows);
    } else {
      divide_by_alpha<std::uint8_t>(rows);
    }
  }
  if (layout.samples >= 3) {
    swap_red_and_blue(rows);
  } else if (layout.white_is_zero && layout.samples == 1) {
    cv::bitwise_not(rows, rows);
  } else if (layout.white_is_zero) {
    const cv::Scalar grey_only(layout.bits == 16 ? 65535 : 255, 0);
    cv::bitwise_xor(rows, grey_only, rows);
  }
}

class Decoder {
 public:
  Decoder(const fs::path& file, const TiffFile& tiff, const TiffLayout& layout)
      : file_(file), tiff_(tiff), t_(tiff.get()), layout_(layout) {
    image_.create(layout.height, layout.width,
                  CV_MAKETYPE(layout.bits == 16 ? CV_16U : CV_8U, layout.samples));
    tiff_.messages().clear();
  }

  // Whole strips: libtiff then decodes deflate in one go, half as long as row by row.
  cv::Mat interleaved_strips(int* first_missing) {
    const int step = rows_a_strip();
    for (int first = 0; first < layout_.height; first += step) {
      const int rows = std::min(step, layout_.height - first);
      const auto strip = static_cast<std::uint32_t>(first / step);
      const auto bytes = static_cast<tmsize_t>(image_.step[0]) * rows;
      if (TIFFReadEncodedStrip(t_, strip, image_.ptr(first), bytes) != bytes) {
        if (first_missing == nullptr || first == 0) throw undecodable(first);
        for (int y = first; y < layout_.height; ++y) image_.row(first - 1).copyTo(image_.row(y));
        *first_missing = first;
        return image_;
      }
      finish_rows(image_.rowRange(first, first + rows), layout_);
    }
    check_warnings();
    return image_;
  }

  cv::Mat strips_of_planes() {
    const int step = rows_a_strip();
    const std::size_t row_bytes = image_.elemSize1() * static_cast<std::size_t>(layout_.width);
    std::vector<unsigned char> buffer(row_bytes * static_cast<std::size_t>(step));
    for (int sample = 0; sample < layout_.samples; ++sample) {
      for (int first = 0; first < layout_.height; first += step) {
        const int rows = std::min(step, layout_.height - first);
        const auto bytes = static_cast<tmsize_t>(row_bytes) * rows;
        const std::uint32_t strip = TIFFComputeStrip(t_, static_cast<std::uint32_t>(first),
                                                     static_cast<std::uint16_t>(sample));
        if (TIFFReadEncodedStrip(t_, strip, buffer.data(), bytes) != bytes) {
          throw undecodable(first);
        }
        place(buffer, {0, first, layout_.width, rows}, row_bytes, sample);
      }
    }
    return whole();
  }

  cv::Mat tiles() {
    std::uint32_t width = 0;
    std::uint32_t height = 0;
    TIFFGetField(t_, TIFFTAG_TILEWIDTH, &width);
    TIFFGetField(t_, TIFFTAG_TILELENGTH, &height);
    const tmsize_t bytes = TIFFTileSize(t_);
    const auto row_bytes = static_cast<std::size_t>(std::max<tmsize_t>(TIFFTileRowSize(t_), 0));
    const int samples = layout_.planes ? 1 : layout_.samples;
    constexpr std::size_t kSmallTile = 64U << 20U;  // of a small image, a tile is the larger one
    const std::size_t most = image_.total() * image_.elemSize() + kSmallTile;
    if (width == 0 || height == 0 || bytes <= 0 || static_cast<std::size_t>(bytes) > most ||
        row_bytes != width * image_.elemSize1() * static_cast<std::size_t>(samples) ||
        static_cast<std::size_t>(bytes) != row_bytes * height) {
      throw wrong_image(file_, "is a TIFF whose tiles do not fit its size; export it again.");
    }
    std::vector<unsigned char> buffer(static_cast<std::size_t>(bytes));
    for (int sample = 0; sample < (layout_.planes ? layout_.samples : 1); ++sample) {
      for (int y = 0; y < layout_.height; y += static_cast<int>(height)) {
        for (int x = 0; x < layout_.width; x += static_cast<int>(width)) {
          const std::uint32_t tile =
              TIFFComputeTile(t_, static_cast<std::uint32_t>(x), static_cast<std::uint32_t>(y), 0,
                              static_cast<std::uint16_t>(sample));
          if (TIFFReadEncodedTile(t_, tile, buffer.data(), bytes) != bytes) throw undecodable(y);
          const cv::Rect there(x, y, std::min(static_cast<int>(width), layout_.width - x),
                               std::min(static_cast<int>(height), layout_.height - y));
          place(buffer, there, row_bytes, layout_.planes ? sample : -1);
        }
      }
    }
    return whole();
  }

  // Luma and chroma in codings that libtiff turns into RGB by itself only as a whole image.
  cv::Mat luma_and_chroma() {
    TIFFRGBAImage reader;
    std::array<char, 1024> why{};
    if (TIFFRGBAImageBegin(&reader, t_, 1, why.data()) != 1) throw undecodable(0);
    reader.req_orientation = reader.orientation;  // as stored
    std::vector<std::uint32_t> raster(image_.total());
    const int done =
        TIFFRGBAImageGet(&reader, raster.data(), static_cast<std::uint32_t>(layout_.width),
                         static_cast<std::uint32_t>(layout_.height));
    TIFFRGBAImageEnd(&reader);
    if (done != 1) throw undecodable(0);
    std::size_t i = 0;
    for (int y = 0; y < layout_.height; ++y) {
      for (int x = 0; x < layout_.width; ++x, ++i) {
        image_.at<cv::Vec3b>(y, x) = {static_cast<unsigned char>(TIFFGetB(raster[i])),
                                      static_cast<unsigned char>(TIFFGetG(raster[i])),
                                      static_cast<unsigned char>(TIFFGetR(raster[i]))};
      }
    }
    check_warnings();
    return image_;
  }

 private:
  // Rows of the decoded block to their place: all samples, or one of them.
  void place(const std::vector<unsigned char>& block, const cv::Rect& there, std::size_t row_bytes,
             int sample) {
    const std::size_t unit = image_.elemSize1();
    for (int y = 0; y < there.height; ++y) {
      const unsigned char* from = block.data() + row_bytes * static_cast<std::size_t>(y);
      unsigned char* to = image_.ptr(there.y + y, there.x);
      if (sample < 0) {
        std::memcpy(to, from, image_.elemSize() * static_cast<std::size_t>(there.width));
        continue;
      }
      to += unit * static_cast<std::size_t>(sample);
      for (int x = 0; x < there.width; ++x, from += unit, to += image_.elemSize()) {
        std::memcpy(to, from, unit);
      }
    }
  }

  cv::Mat whole() {
    check_warnings();
    finish_rows(image_, layout_);
    return image_;
  }

  [[nodiscard]] int rows_a_strip() const {
    std::uint32_t rows = 0;
    TIFFGetFieldDefaulted(t_, TIFFTAG_ROWSPERSTRIP, &rows);
    const auto expected = static_cast<tmsize_t>(image_.elemSize1()) * layout_.width *
                          (layout_.planes ? 1 : layout_.samples);
    if (TIFFScanlineSize(t_) != expected) throw undecodable(0);
    return static_cast<int>(std::clamp<std::int64_t>(rows, 1, layout_.height));
  }

  [[nodiscard]] Error undecodable(int row) const {
    const std::string& why = tiff_.messages().error;
    return wrong_image(
        file_,
        fmt::format("cannot be decoded from row {} of {} on{}{}{}; export it again.", row + 1,
                    layout_.height, why.empty() ? "" : " (", why, why.empty() ? "" : ")"));
  }

  // A codec warns where data are damaged and it went on with what it guessed. That a file has the
  // LZW of TIFF 5 is no damage.
  void check_warnings() const {
    const std::string& warning = tiff_.messages().warning;
    if (warning.empty() || warning.find("Old-style LZW") != std::string::npos) return;
    throw wrong_image(file_, fmt::format("is damaged ({}); export it again.", warning));
  }

  fs::path file_;
  const TiffFile& tiff_;
  TIFF* t_;
  TiffLayout layout_;
  cv::Mat image_;
};

}  // namespace

cv::Mat decode_tiff(const fs::path& file, const TiffFile& tiff, const TiffLayout& layout,
                    int* first_missing) {
  const bool jpeg = layout.compression == COMPRESSION_JPEG;
  if (jpeg && layout.ycbcr) TIFFSetField(tiff.get(), TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
  const bool by_library = layout.ycbcr && !jpeg;
  const bool strips = !layout.tiles && !layout.planes && !by_library;
  if (first_missing == nullptr || !strips) check_blocks(file, tiff.get());
  if (first_missing != nullptr) *first_missing = layout.height;
  Decoder decoder(file, tiff, layout);
  if (by_library) return decoder.luma_and_chroma();
  if (layout.tiles) return decoder.tiles();
  return layout.planes ? decoder.strips_of_planes() : decoder.interleaved_strips(first_missing);
}

}  // namespace trunnion

#include "tests/support/tiff_matrix.h"

#include <tiffio.h>

#include <algorithm>
#include <array>
#include <cstring>
#include <opencv2/imgproc.hpp>

namespace trunnion::test {
namespace {

constexpr int kWidth = 37;  // no multiple of a tile or strip
constexpr int kHeight = 29;
constexpr int kTile = 16;
constexpr int kStripRows = 8;

// The rows and columns of a block as bytes; what reaches out of the image is zero.
std::vector<unsigned char> block_of(const cv::Mat& samples, const cv::Rect& block, int sample) {
  cv::Mat part = cv::Mat::zeros(block.size(), samples.type());
  const cv::Rect inside = block & cv::Rect(0, 0, samples.cols, samples.rows);
  samples(inside).copyTo(part(cv::Rect(0, 0, inside.width, inside.height)));
  if (sample >= 0) cv::extractChannel(part, part, sample);
  return {part.data, part.data + part.total() * part.elemSize()};
}

void set_tags(TIFF* t, const TiffCase& c, const cv::Mat& samples) {
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, samples.cols);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, samples.rows);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, c.bits);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, c.samples);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, c.planes ? PLANARCONFIG_SEPARATE : PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC,
               c.samples >= 3    ? PHOTOMETRIC_RGB
               : c.white_is_zero ? PHOTOMETRIC_MINISWHITE
                                 : PHOTOMETRIC_MINISBLACK);
  if (c.samples % 2 == 0) {
    const std::uint16_t alpha = c.multiplied ? EXTRASAMPLE_ASSOCALPHA : EXTRASAMPLE_UNASSALPHA;
    TIFFSetField(t, TIFFTAG_EXTRASAMPLES, 1, &alpha);
  }
  TIFFSetField(t, TIFFTAG_COMPRESSION, c.compression);
  if (c.predictor) TIFFSetField(t, TIFFTAG_PREDICTOR, PREDICTOR_HORIZONTAL);
  if (c.tiles) {
    TIFFSetField(t, TIFFTAG_TILEWIDTH, kTile);
    TIFFSetField(t, TIFFTAG_TILELENGTH, kTile);
  } else {
    TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, kStripRows);
  }
}

}  // namespace

std::string TiffCase::name() const {
  std::string text = tiles ? "tiles" : "strips";
  if (planes) text += "_planes";
  text += big_endian ? "_big-endian" : "_little-endian";
  if (big_tiff) text += "_bigtiff";
  text += "_" + std::to_string(bits) + "x" + std::to_string(samples);
  text += compression == COMPRESSION_NONE       ? "_plain"
          : compression == COMPRESSION_PACKBITS ? "_packbits"
          : compression == COMPRESSION_LZW      ? "_lzw"
                                                : "_deflate";
  if (predictor) text += "_predictor";
  if (multiplied) text += "_multiplied";
  if (white_is_zero) text += "_white-is-zero";
  return text;
}

std::vector<TiffCase> tiff_cases() {
  std::vector<TiffCase> cases;
  constexpr std::array<std::uint16_t, 4> kCodings{COMPRESSION_NONE, COMPRESSION_PACKBITS,
                                                  COMPRESSION_LZW, COMPRESSION_ADOBE_DEFLATE};
  for (const std::uint16_t compression : kCodings) {
    const bool may_predict =
        compression == COMPRESSION_LZW || compression == COMPRESSION_ADOBE_DEFLATE;
    // Bits of k: planes, tiles, byte order, BigTIFF, predictor, depth.
    for (unsigned k = 0; k < 64U; ++k) {
      for (int samples = 1; samples <= 4; ++samples) {
        TiffCase c;
        c.samples = samples;
        c.planes = (k & 1U) != 0;
        c.tiles = (k & 2U) != 0;
        c.big_endian = (k & 4U) != 0;
        c.big_tiff = (k & 8U) != 0;
        c.predictor = (k & 16U) != 0;
        c.bits = (k & 32U) != 0 ? 16 : 8;
        c.compression = compression;
        if ((c.planes && samples == 1) || (c.predictor && !may_predict)) continue;
        cases.push_back(c);
      }
    }
  }
  return cases;
}

cv::Mat tiff_samples(const TiffCase& c) {
  cv::Mat samples(kHeight, kWidth, CV_MAKETYPE(c.bits == 16 ? CV_16U : CV_8U, c.samples));
  cv::RNG random(static_cast<std::uint64_t>(c.samples * 100 + c.bits));
  random.fill(samples, cv::RNG::UNIFORM, 0, c.bits == 16 ? 65536 : 256);
  // A run and a ramp, which the codings treat apart from noise.
  samples.rowRange(3, 6).setTo(cv::Scalar::all(c.bits == 16 ? 4660 : 52));
  return samples;
}

cv::Mat as_read(const cv::Mat& samples) {
  cv::Mat read;
  if (samples.channels() == 2) {
    std::vector<cv::Mat> parts;
    cv::split(samples, parts);
    cv::merge(std::vector<cv::Mat>{parts[0], parts[0], parts[0], parts[1]}, read);
  } else if (samples.channels() == 3) {
    cv::cvtColor(samples, read, cv::COLOR_RGB2BGR);
  } else if (samples.channels() == 4) {
    cv::cvtColor(samples, read, cv::COLOR_RGBA2BGRA);
  } else {
    read = samples.clone();
  }
  return read;
}

void write_tiff_case(const std::filesystem::path& file, const TiffCase& c, const cv::Mat& samples) {
  const std::string mode = std::string("w") + (c.big_endian ? "b" : "l") + (c.big_tiff ? "8" : "4");
  TIFF* t = TIFFOpen(file.c_str(), mode.c_str());
  if (t == nullptr) return;
  set_tags(t, c, samples);
  const cv::Size size = c.tiles ? cv::Size(kTile, kTile) : cv::Size(samples.cols, kStripRows);
  for (int sample = 0; sample < (c.planes ? c.samples : 1); ++sample) {
    for (int y = 0; y < samples.rows; y += size.height) {
      for (int x = 0; x < samples.cols; x += size.width) {
        const int rows = c.tiles ? size.height : std::min(size.height, samples.rows - y);
        auto bytes =
            block_of(samples, {x, y, size.width, rows}, c.planes ? sample : -1);  // coded in place
        const auto plane = static_cast<std::uint16_t>(sample);
        const auto length = static_cast<tmsize_t>(bytes.size());
        if (c.tiles) {
          TIFFWriteEncodedTile(t,
                               TIFFComputeTile(t, static_cast<std::uint32_t>(x),
                                               static_cast<std::uint32_t>(y), 0, plane),
                               bytes.data(), length);
        } else {
          TIFFWriteEncodedStrip(t, TIFFComputeStrip(t, static_cast<std::uint32_t>(y), plane),
                                bytes.data(), length);
        }
      }
    }
  }
  TIFFClose(t);
}

}  // namespace trunnion::test

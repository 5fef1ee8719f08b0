#include "tests/bench/deflate_tiff.h"

#include <fmt/format.h>
#include <tiffio.h>

#include <memory>
#include <opencv2/imgproc.hpp>

#include "core/error.h"

namespace trunnion::bench {

void write_deflate_tiff(const std::filesystem::path& file, const cv::Mat& image, int level) {
  CV_Assert(image.channels() == 3);
  const std::unique_ptr<TIFF, void (*)(TIFF*)> tiff(TIFFOpen(file.c_str(), "w"), &TIFFClose);
  if (!tiff) throw data_error(fmt::format("{}: cannot be created.", file.string()));
  TIFF* t = tiff.get();
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, image.cols);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, image.rows);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, image.depth() == CV_16U ? 16 : 8);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, 3);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_RGB);
  TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_ADOBE_DEFLATE);
  TIFFSetField(t, TIFFTAG_PREDICTOR, PREDICTOR_HORIZONTAL);
  TIFFSetField(t, TIFFTAG_ZIPQUALITY, level);
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 64);
  cv::Mat row;
  for (int y = 0; y < image.rows; ++y) {
    cv::cvtColor(image.row(y), row, cv::COLOR_BGR2RGB);
    if (TIFFWriteScanline(t, row.data, static_cast<std::uint32_t>(y)) != 1) {
      throw data_error(fmt::format("{}: writing failed.", file.string()));
    }
  }
}

}  // namespace trunnion::bench

#include "core/image_format.h"

#include <fmt/format.h>

#include <utility>

namespace trunnion {
namespace {

namespace fs = std::filesystem;

template <typename T>
void swap_first_and_third(cv::Mat& rows) {
  const int channels = rows.channels();
  for (int y = 0; y < rows.rows; ++y) {
    T* pixel = rows.ptr<T>(y);
    for (T* const end = pixel + rows.cols * channels; pixel < end; pixel += channels) {
      std::swap(pixel[0], pixel[2]);
    }
  }
}

}  // namespace

Error wrong_image(const fs::path& file, const std::string& what) {
  return data_error(fmt::format("{}: {}", file.string(), what));
}

Error not_written(const fs::path& file) {
  return output_error(fmt::format(
      "{}: writing failed; check space and permissions, then run again.", file.string()));
}

void check_samples(const fs::path& file, int colours, int samples, int bits) {
  if (samples != colours && samples != colours + 1) {
    throw wrong_image(file, fmt::format("has {} channels, but grey or RGB with at most one alpha "
                                        "channel is allowed; {}.",
                                        samples, kReencode));
  }
  if (bits != 8 && bits != 16) {
    throw wrong_image(file, fmt::format("has {} bits per channel, but 8 or 16 are allowed; {}.",
                                        bits, kReencode));
  }
}

void check_size(const fs::path& file, std::int64_t width, std::int64_t height,
                const ImageLimits& limits) {
  if (width <= 0 || height <= 0 || width > 1'000'000 || height > 1'000'000) {
    throw wrong_image(file, fmt::format("declares {} x {} pixels, which is not possible; export it "
                                        "again.",
                                        width, height));
  }
  if (width * height > limits.max_pixels) {
    throw wrong_image(file,
                      fmt::format("declares {} x {} = {} pixels, but at most {} are allowed; raise "
                                  "limits.max_megapixels if the size is right.",
                                  width, height, width * height, limits.max_pixels));
  }
}

void swap_red_and_blue(cv::Mat& rows) {
  if (rows.depth() == CV_16U) {
    swap_first_and_third<std::uint16_t>(rows);
  } else {
    swap_first_and_third<std::uint8_t>(rows);
  }
}

}  // namespace trunnion

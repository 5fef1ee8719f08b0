#include "pipeline/desk/tiles.h"

#include <fmt/format.h>

#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/freed_memory.h"

namespace trunnion::desk {
namespace {

namespace fs = std::filesystem;

// Another file under the same name is another image.
std::string key_of(const fs::path& file) {
  std::error_code code;
  return fmt::format("{}:{}:{}", file.string(), fs::file_size(file, code),
                     fs::last_write_time(file, code).time_since_epoch().count());
}

cv::Mat as_shown(cv::Mat image) {
  if (image.depth() == CV_16U) image.convertTo(image, CV_8U, 1.0 / 257.0);
  if (image.channels() == 4) cv::cvtColor(image, image, cv::COLOR_BGRA2BGR);
  return image;
}

std::string encoded(const char* extension, const cv::Mat& image, const std::vector<int>& options) {
  std::vector<unsigned char> bytes;
  cv::imencode(extension, image, bytes, options);
  return {bytes.begin(), bytes.end()};
}

}  // namespace

Tiles::Tiles(const ImageLimits& limits, std::size_t most_bytes)
    : limits_(limits), most_bytes_(most_bytes) {}

std::vector<cv::Mat> Tiles::levels_of(const fs::path& file) {
  const std::string key = key_of(file);
  const std::scoped_lock lock(mutex_);
  for (auto each = kept_.begin(); each != kept_.end(); ++each) {
    if (each->key != key) continue;
    kept_.splice(kept_.begin(), kept_, each);
    return kept_.front().levels;
  }
  Pyramid made;
  made.key = key;
  cv::Mat level = as_shown(read_image(file, limits_));
  for (;;) {
    made.bytes += level.total() * level.elemSize();
    made.levels.push_back(level);
    if (level.cols <= kTilePx && level.rows <= kTilePx) break;
    cv::Mat half;
    cv::resize(level, half, {(level.cols + 1) / 2, (level.rows + 1) / 2}, 0, 0, cv::INTER_AREA);
    level = half;
  }
  std::size_t bytes = made.bytes;
  for (const Pyramid& each : kept_) bytes += each.bytes;
  while (!kept_.empty() && bytes > most_bytes_) {
    bytes -= kept_.back().bytes;
    kept_.pop_back();
  }
  kept_.push_front(std::move(made));
  return_freed_memory();
  return kept_.front().levels;
}

cv::Mat Tiles::tile(const fs::path& file, int level, int x, int y) {
  const std::vector<cv::Mat> levels = levels_of(file);
  if (level < 0 || static_cast<std::size_t>(level) >= levels.size()) return {};
  const cv::Mat& image = levels[static_cast<std::size_t>(level)];
  if (x < 0 || y < 0 || x > image.cols / kTilePx || y > image.rows / kTilePx) return {};
  const cv::Rect place =
      cv::Rect(x * kTilePx, y * kTilePx, kTilePx, kTilePx) & cv::Rect({0, 0}, image.size());
  return place.empty() ? cv::Mat() : image(place).clone();
}

cv::Mat Tiles::image(const fs::path& file) {
  const cv::Mat image = levels_of(file).front();
  if (image.channels() == 3) return image;
  cv::Mat colour;
  cv::cvtColor(image, colour, cv::COLOR_GRAY2BGR);
  return colour;
}

std::string mask_tile_png(const cv::Mat& coverage) {
  cv::Mat tile(coverage.size(), CV_8UC4);
  for (int y = 0; y < tile.rows; ++y) {
    for (int x = 0; x < tile.cols; ++x) {
      const int outside = 255 - coverage.at<uchar>(y, x);
      tile.at<cv::Vec4b>(y, x) = {168, 92, 28, static_cast<uchar>(outside * 150 / 255)};
    }
  }
  return encoded(".png", tile, {cv::IMWRITE_PNG_COMPRESSION, 1});
}

std::string photograph_jpeg(const cv::Mat& tile) {
  return encoded(".jpg", tile, {cv::IMWRITE_JPEG_QUALITY, 93});
}

}  // namespace trunnion::desk

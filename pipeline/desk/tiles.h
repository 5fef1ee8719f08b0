// Tiles of images of any size, so that a browser shows 50 megapixels without holding them.
//
// Level 0 is the image at 100 %, level k at 1 / 2^k of it; tiles are 512 px. One image is decoded
// at a time, and pyramids are kept only up to a number of bytes, so memory does not depend on how
// many images a set has.
#pragma once

#include <cstddef>
#include <filesystem>
#include <list>
#include <mutex>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "core/image_io.h"

namespace trunnion::desk {

inline constexpr int kTilePx = 512;

class Tiles {
 public:
  explicit Tiles(const ImageLimits& limits, std::size_t most_bytes = std::size_t{240} << 20U);

  // 8 bit: CV_8UC1 or CV_8UC3. Empty where the level or the place doesn't exist. Throws a data
  // error where the file can't be read.
  cv::Mat tile(const std::filesystem::path& file, int level, int x, int y);
  // The whole image, 8 bit.
  cv::Mat image(const std::filesystem::path& file);

 private:
  struct Pyramid {
    std::string key;
    std::vector<cv::Mat> levels;
    std::size_t bytes = 0;
  };
  std::vector<cv::Mat> levels_of(const std::filesystem::path& file);

  ImageLimits limits_;
  std::size_t most_bytes_;
  std::mutex mutex_;
  std::list<Pyramid> kept_;  // the last one used first
};

// What is no specimen as a colour of its own, the more the less it is covered: PNG with alpha.
std::string mask_tile_png(const cv::Mat& coverage);
std::string photograph_jpeg(const cv::Mat& tile);

}  // namespace trunnion::desk

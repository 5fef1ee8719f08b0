// Pictures of a view: small JPEGs within a limit of bytes, and the outline of the mask as a path.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/error.h"
#include "core/reduction.h"
#include "stages/report/report.h"

namespace trunnion::report {
namespace {

// Shrunk to `long_side` px at most, 8 bit, three channels. Alpha is dropped: what it hides is part
// of what the user wants to see.
cv::Mat shrink(const cv::Mat& image, int long_side) {
  CV_Assert(image.depth() == CV_8U || image.depth() == CV_16U);
  const double scale =
      std::min(1.0, static_cast<double>(long_side) / std::max(image.cols, image.rows));
  const cv::Size size(std::max(1, cvRound(image.cols * scale)),
                      std::max(1, cvRound(image.rows * scale)));
  cv::Mat small = image;
  if (size != image.size())
    cv::resize(reduced_towards(image, size), small, size, 0, 0, cv::INTER_AREA);
  if (small.depth() == CV_16U) small.convertTo(small, CV_8U, 1.0 / 257.0);
  cv::Mat colour = small;
  if (small.channels() == 1) cv::cvtColor(small, colour, cv::COLOR_GRAY2BGR);
  if (small.channels() == 4) cv::cvtColor(small, colour, cv::COLOR_BGRA2BGR);
  return colour;
}

std::string encode(const cv::Mat& image, int quality) {
  std::vector<std::uint8_t> bytes;
  cv::imencode(".jpg", image, bytes,
               {cv::IMWRITE_JPEG_QUALITY, quality, cv::IMWRITE_JPEG_OPTIMIZE, 1});
  return {bytes.begin(), bytes.end()};
}

// First less quality, then fewer pixels, until the limit holds. A quality is skipped where the size
// at the first says that it can't do: pictures of specimens, of noise and small ones kept at least
// 0.62, 0.41 and 0.29 of it at the others.
std::string encode_within(cv::Mat image, std::size_t limit_bytes) {
  struct Quality {
    int value;
    double least_share;
  };
  constexpr std::array<Quality, 4> kQualities{{{84, 1.0}, {74, 0.6}, {62, 0.4}, {48, 0.28}}};
  for (;;) {
    std::string bytes;
    double at_first = 0;
    for (const Quality& quality : kQualities) {
      if (quality.least_share * at_first > static_cast<double>(limit_bytes)) continue;
      bytes = encode(image, quality.value);
      if (bytes.size() <= limit_bytes) return bytes;
      if (at_first == 0) at_first = static_cast<double>(bytes.size());
    }
    if (std::max(image.cols, image.rows) < 32) return bytes;
    cv::Mat smaller;
    cv::resize(image, smaller, {}, 0.8, 0.8, cv::INTER_AREA);
    image = smaller;
  }
}

// The mask's borders, found at the size of the large picture and given in px of the full image.
// Area averaging keeps the outline within half a pixel of the large picture.
std::string outline_path(const cv::Mat& mask, const ThumbnailOptions& options) {
  if (mask.empty()) return {};
  const double scale =
      std::min(1.0, static_cast<double>(options.large_px) / std::max(mask.cols, mask.rows));
  const cv::Size size(std::max(1, cvRound(mask.cols * scale)),
                      std::max(1, cvRound(mask.rows * scale)));
  cv::Mat small;
  cv::resize(reduced_towards(mask, size), small, size, 0, 0, cv::INTER_AREA);
  // A border of background closes outlines at the edge of the image.
  cv::Mat inside;
  cv::copyMakeBorder(small >= 128, inside, 1, 1, 1, 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  std::vector<std::vector<cv::Point>> borders;
  cv::findContours(inside, borders, cv::RETR_CCOMP, cv::CHAIN_APPROX_NONE);
  std::string path;
  const double to_full_x = static_cast<double>(mask.cols) / small.cols;
  const double to_full_y = static_cast<double>(mask.rows) / small.rows;
  for (const auto& border : borders) {
    std::vector<cv::Point> corners;
    cv::approxPolyDP(border, corners, options.outline_px, true);
    if (corners.size() < 3) continue;
    char command = 'M';
    for (const cv::Point& corner : corners) {
      // Minus the border; pixel centres map as (x + 0.5) * factor - 0.5.
      path += fmt::format("{}{} {}", command, cvRound((corner.x - 0.5) * to_full_x - 0.5),
                          cvRound((corner.y - 0.5) * to_full_y - 0.5));
      command = 'L';
    }
    path += 'Z';
  }
  return path;
}

}  // namespace

ViewThumbnails make_thumbnails(const cv::Mat& before, const cv::Mat& after, const cv::Mat& mask,
                               const ThumbnailOptions& options) {
  ViewThumbnails pictures;
  pictures.before_width_px = before.cols;
  pictures.before_height_px = before.rows;
  pictures.after_width_px = after.cols;
  pictures.after_height_px = after.rows;
  const cv::Mat large_after = shrink(after, options.large_px);
  pictures.before_jpeg = encode_within(shrink(before, options.large_px), options.large_bytes);
  pictures.after_jpeg = encode_within(large_after, options.large_bytes);
  pictures.small_jpeg = encode_within(shrink(large_after, options.small_px), options.small_bytes);
  pictures.outline = outline_path(mask, options);
  return pictures;
}

std::string backdrop_picture(const cv::Mat& backdrop, double full_scale) {
  if (backdrop.empty()) return {};
  // A dark or even backdrop would be a black or grey sheet: its own range is shown instead.
  double lowest = 0;
  double highest = 0;
  cv::minMaxLoc(backdrop.reshape(1), &lowest, &highest);
  const double range = std::max(highest - lowest, full_scale * 0.02);
  cv::Mat bytes;
  backdrop.convertTo(bytes, CV_8U, 255.0 / range, -lowest * 255.0 / range);
  const ThumbnailOptions options;
  return encode_within(shrink(bytes, options.large_px), options.large_bytes);
}

std::string pack(const ViewThumbnails& pictures) {
  const auto binary = [](const std::string& bytes) {
    return nlohmann::json::binary({bytes.begin(), bytes.end()});
  };
  const nlohmann::json json = {
      {"small", binary(pictures.small_jpeg)},     {"before", binary(pictures.before_jpeg)},
      {"after", binary(pictures.after_jpeg)},     {"outline", pictures.outline},
      {"before_width", pictures.before_width_px}, {"before_height", pictures.before_height_px},
      {"after_width", pictures.after_width_px},   {"after_height", pictures.after_height_px}};
  const std::vector<std::uint8_t> bytes = nlohmann::json::to_cbor(json);
  return {bytes.begin(), bytes.end()};
}

ViewThumbnails unpack_thumbnails(const std::string& bytes) {
  try {
    const nlohmann::json json = nlohmann::json::from_cbor(bytes);
    const auto text = [&json](const char* key) {
      const auto& binary = json.at(key).get_binary();
      return std::string(binary.begin(), binary.end());
    };
    ViewThumbnails pictures;
    pictures.small_jpeg = text("small");
    pictures.before_jpeg = text("before");
    pictures.after_jpeg = text("after");
    json.at("outline").get_to(pictures.outline);
    json.at("before_width").get_to(pictures.before_width_px);
    json.at("before_height").get_to(pictures.before_height_px);
    json.at("after_width").get_to(pictures.after_width_px);
    json.at("after_height").get_to(pictures.after_height_px);
    return pictures;
  } catch (const nlohmann::json::exception& error) {
    throw data_error(fmt::format(
        "Cached pictures of the report are damaged ({}); remove .trunnion and run again.",
        error.what()));
  }
}

}  // namespace trunnion::report

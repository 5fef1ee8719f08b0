#include "datasets/demo_card.h"

#include <fmt/format.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "core/date.h"
#include "datasets/focus_layers.h"
#include "datasets/random.h"

namespace trunnion::demo {
namespace {

constexpr double kSharp_px = 0.2;  // blur in focus, standard deviation
constexpr double kNoise = 0.8;     // counts of 8 bits
constexpr double kFlash = 0.005;   // a flash's light varies from frame to frame

cv::Mat backdrop_at(const DemoSet& set, const cv::Size& size) {
  const Camera& camera = set.rig().camera;
  const double scale = static_cast<double>(camera.width_px) / size.width;
  const Backdrop backdrop = set.backdrop();
  cv::Mat image(size, CV_32FC3);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const Eigen::Vector2d pixel((x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5);
      const Eigen::Vector3d colour =
          backdrop_colour(backdrop, camera, pixel, backdrop_cloud(backdrop, camera, pixel));
      image.at<cv::Vec3f>(y, x) = {static_cast<float>(colour.x()), static_cast<float>(colour.y()),
                                   static_cast<float>(colour.z())};
    }
  }
  return image;
}

RenderedView smaller(const RenderedView& view, const cv::Size& size) {
  RenderedView small;
  cv::resize(view.colour, small.colour, size, 0, 0, cv::INTER_AREA);
  cv::resize(view.coverage, small.coverage, size, 0, 0, cv::INTER_AREA);
  cv::resize(view.through, small.through, size, 0, 0, cv::INTER_AREA);
  cv::resize(view.depth_mm, small.depth_mm, size, 0, 0, cv::INTER_NEAREST);
  small.coverage.setTo(0, small.depth_mm <= 0);
  return small;
}

// Light to counts, with the noise of this frame.
cv::Mat counts_of(const cv::Mat& light, std::uint64_t key, double gain) {
  cv::Mat counts(light.size(), CV_8UC3);
  for (int y = 0; y < light.rows; ++y) {
    for (int x = 0; x < light.cols; ++x) {
      for (int c = 0; c < 3; ++c) {
        const std::uint64_t place =
            (static_cast<std::uint64_t>(y) * 65'536U + static_cast<std::uint64_t>(x)) * 3U +
            static_cast<std::uint64_t>(c);
        const double level = 255.0 * gain * light.at<cv::Vec3f>(y, x)[c];
        counts.at<cv::Vec3b>(y, x)[c] =
            cv::saturate_cast<uchar>(level + kNoise * bell(hash_of(key, place)));
      }
    }
  }
  return counts;
}

}  // namespace

SeriesShape card_shape(const DemoSet& set, std::size_t number) {
  SeriesShape shape;
  shape.planes = set.options().frames - static_cast<int>(shape.before + shape.behind);
  shape.number = number;
  return shape;
}

std::vector<CardFrame> focus_series(const DemoSet& set, const RenderedView& view,
                                    const SeriesShape& shape) {
  const cv::Size size(kCardWidth_px,
                      static_cast<int>(std::lround(static_cast<double>(kCardWidth_px) *
                                                   view.colour.rows / view.colour.cols)));
  const RenderedView small = smaller(view, size);
  const cv::Mat behind = backdrop_at(set, size);
  cv::Mat through;
  cv::merge(std::vector<cv::Mat>(3, small.through), through);
  cv::Mat own = cv::max(small.colour - behind.mul(through), 0.0);
  own.setTo(cv::Scalar::all(0), small.coverage == 0);
  const std::vector<cv::Mat> layers = depth_layers(own, small, shape.planes);
  const int count = static_cast<int>(shape.planes - 1 + shape.before + shape.behind) + 1;

  Draws draws(hash_of(set.options().seed, 61), shape.number);
  const double begins =
      static_cast<double>(kCardBegins) +
      static_cast<double>(shape.number) * (count * kFrameInterval_s + kSeriesPause_s);
  std::vector<CardFrame> frames;
  for (int k = 0; k < count; ++k) {
    const double focus = k - shape.before;
    cv::Mat light = behind.clone();
    for (int i = shape.planes - 1; i >= 0; --i) {
      cv::Mat layer;
      cv::GaussianBlur(layers[static_cast<std::size_t>(i)], layer, {},
                       kSharp_px + shape.blur_px * std::abs(i - focus));
      lay_over(light, layer);
    }
    const double gain = 1.0 + kFlash * draws.normal();
    const double late = 0.1 * kFrameInterval_s * draws.uniform(-1.0, 1.0);
    frames.push_back({counts_of(light, draws.next(), gain), begins + k * kFrameInterval_s + late});
  }
  return frames;
}

Metadata card_metadata(const CardFrame& frame) {
  const double whole = std::floor(frame.time_s);
  const int hundredths = static_cast<int>((frame.time_s - whole) * 100.0);
  Metadata metadata;
  const std::string date = exif_date(static_cast<std::time_t>(whole));
  metadata.exif["Exif.Image.DateTime"] = date;
  metadata.exif["Exif.Photo.DateTimeOriginal"] = date;
  metadata.exif["Exif.Photo.SubSecTimeOriginal"] = fmt::format("{:02}", hundredths);
  metadata.exif["Exif.Photo.ExposureTime"] = Exiv2::URational(1, 60);
  metadata.exif["Exif.Photo.FNumber"] = Exiv2::URational(56, 10);
  metadata.exif["Exif.Photo.ISOSpeedRatings"] = std::uint16_t{100};
  return metadata;
}

}  // namespace trunnion::demo

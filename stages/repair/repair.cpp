#include "stages/repair/repair.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace trunnion::repair {
namespace {

constexpr float kOpaque = 0.4F;       // less light than this is mostly noise once divided out
constexpr float kUntouched = 0.002F;  // transmissions this near to 1 change no value

struct Patch {
  cv::Rect box;          // in the image
  cv::Mat transmission;  // CV_32FC1, size of the box
};

// Transmission of a spot at full resolution.
Patch patch_of(const Spot& spot, const cv::Size& image) {
  const int step = spot.patch_step;
  const int reach = spot.transmission.cols / 2;
  const double offset = 0.5 * (step - 1);
  // Middle pixel of the patch, in image pixels: the centre of its step x step block.
  const auto middle = [&](double at) {
    return step * static_cast<int>(std::lround((at - offset) / step));
  };
  cv::Mat full = spot.transmission;
  if (step > 1) {
    cv::resize(spot.transmission, full, spot.transmission.size() * step, 0, 0, cv::INTER_LINEAR);
  }
  const cv::Rect whole(middle(spot.x_px) - reach * step, middle(spot.y_px) - reach * step,
                       full.cols, full.rows);
  Patch patch;
  patch.box = whole & cv::Rect({0, 0}, image);
  if (patch.box.empty()) return patch;
  patch.transmission = full(patch.box - whole.tl());
  return patch;
}

// Smoothest continuation of `part` over the pixels of `hole`, by successive over-relaxation.
template <typename T>
void interpolate(cv::Mat& part, const cv::Mat& hole) {
  const int channels = part.channels();
  const int used = channels == 4 ? 3 : channels;
  const double relaxation =
      2.0 / (1.0 + std::sin(CV_PI / std::max(4, std::max(part.cols, part.rows))));
  for (int c = 0; c < used; ++c) {
    cv::Mat plane;
    cv::extractChannel(part, plane, c);
    plane.convertTo(plane, CV_64F);
    plane.setTo(cv::mean(plane, ~hole)[0], hole);
    for (int round = 0; round < 4 * std::max(part.cols, part.rows); ++round) {
      for (int y = 0; y < part.rows; ++y) {
        for (int x = 0; x < part.cols; ++x) {
          if (hole.at<std::uint8_t>(y, x) == 0) continue;
          double sum = 0;
          int n = 0;
          const auto take = [&](int v, int u) {
            if (v < 0 || u < 0 || v >= part.rows || u >= part.cols) return;
            sum += plane.at<double>(v, u);
            ++n;
          };
          take(y - 1, x);
          take(y + 1, x);
          take(y, x - 1);
          take(y, x + 1);
          double& at = plane.at<double>(y, x);
          at += relaxation * (sum / n - at);
        }
      }
    }
    for (int y = 0; y < part.rows; ++y) {
      for (int x = 0; x < part.cols; ++x) {
        if (hole.at<std::uint8_t>(y, x) == 0) continue;
        part.ptr<T>(y)[x * channels + c] = cv::saturate_cast<T>(plane.at<double>(y, x));
      }
    }
  }
}

template <typename T>
std::size_t divide_out(cv::Mat& part, const cv::Mat& transmission) {
  const int channels = part.channels();
  const int used = channels == 4 ? 3 : channels;
  std::size_t pixels = 0;
  for (int y = 0; y < part.rows; ++y) {
    T* row = part.ptr<T>(y);
    const auto* t = transmission.ptr<float>(y);
    for (int x = 0; x < part.cols; ++x) {
      if (std::abs(t[x] - 1.0F) < kUntouched || t[x] < kOpaque) continue;
      for (int c = 0; c < used; ++c) {
        T& value = row[x * channels + c];
        value = cv::saturate_cast<T>(static_cast<float>(value) / t[x]);
      }
      ++pixels;
    }
  }
  return pixels;
}

template <typename T>
std::size_t repair_dust(cv::Mat& image, const Spot& spot) {
  const Patch patch = patch_of(spot, image.size());
  if (patch.box.empty()) return 0;
  cv::Mat part = image(patch.box);
  std::size_t pixels = divide_out<T>(part, patch.transmission);
  cv::Mat hole = patch.transmission < kOpaque;
  if (cv::countNonZero(hole) > 0) {
    cv::dilate(hole, hole, cv::Mat());
    interpolate<T>(part, hole);
    pixels += static_cast<std::size_t>(cv::countNonZero(hole));
  }
  return pixels;
}

template <typename T>
std::size_t repair_hot(cv::Mat& image, const Spot& spot) {
  const int radius = static_cast<int>(std::floor(0.5 * spot.diameter_px));
  const cv::Point middle(static_cast<int>(std::lround(spot.x_px)),
                         static_cast<int>(std::lround(spot.y_px)));
  const cv::Rect box =
      cv::Rect(middle.x - radius - 1, middle.y - radius - 1, 2 * radius + 3, 2 * radius + 3) &
      cv::Rect({0, 0}, image.size());
  if (box.empty()) return 0;
  cv::Mat hole = cv::Mat::zeros(box.size(), CV_8U);
  cv::circle(hole, middle - box.tl(), radius, cv::Scalar(255), cv::FILLED);
  cv::Mat part = image(box);
  interpolate<T>(part, hole);
  return static_cast<std::size_t>(cv::countNonZero(hole));
}

}  // namespace

bool is_repaired(const Spot& spot, const RepairSettings& settings) {
  return settings.dust &&
         (spot.hot_pixel || std::abs(spot.contrast) * 100.0 >= settings.min_contrast_percent);
}

RepairResult repair(cv::Mat& image, const std::vector<Spot>& spots,
                    const RepairSettings& settings) {
  RepairResult result;
  const bool deep = image.depth() == CV_16U;
  for (const Spot& spot : spots) {
    if (!is_repaired(spot, settings)) continue;
    std::size_t pixels = 0;
    if (spot.hot_pixel || spot.transmission.empty()) {
      pixels =
          deep ? repair_hot<std::uint16_t>(image, spot) : repair_hot<std::uint8_t>(image, spot);
    } else {
      pixels =
          deep ? repair_dust<std::uint16_t>(image, spot) : repair_dust<std::uint8_t>(image, spot);
    }
    result.pixels_repaired += pixels;
    result.spots_repaired += pixels > 0 ? 1 : 0;
  }
  return result;
}

}  // namespace trunnion::repair

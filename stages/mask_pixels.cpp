#include "stages/mask_pixels.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"

namespace trunnion {
namespace {

constexpr int kInset = 3;  // px inside the outline where pixels are covered whole despite blur
constexpr int kReach = 6;  // px looked around for the specimen's own colour

using Vec3 = cv::Vec3f;

Vec3 light_of(const std::uint16_t* pixel, int channels) {
  const auto& linear = linear_light();
  if (channels == 1) return Vec3::all(linear[pixel[0]]);
  return {linear[pixel[0]], linear[pixel[1]], linear[pixel[2]]};
}
Vec3 light_of(const std::uint8_t* pixel, int channels) {
  const auto& linear = linear_light();
  if (channels == 1) return Vec3::all(linear[pixel[0] * 257U]);
  return {linear[pixel[0] * 257U], linear[pixel[1] * 257U], linear[pixel[2] * 257U]};
}

// Bilinear value of a block map at a full-resolution pixel.
Vec3 at_pixel(const cv::Mat& blocks, int side, int x, int y) {
  const float u = std::clamp((static_cast<float>(x) + 0.5F) / static_cast<float>(side) - 0.5F, 0.0F,
                             static_cast<float>(blocks.cols - 1));
  const float v = std::clamp((static_cast<float>(y) + 0.5F) / static_cast<float>(side) - 0.5F, 0.0F,
                             static_cast<float>(blocks.rows - 1));
  const int i = std::min(static_cast<int>(u), std::max(0, blocks.cols - 2));
  const int j = std::min(static_cast<int>(v), std::max(0, blocks.rows - 2));
  const int i1 = std::min(i + 1, blocks.cols - 1);
  const int j1 = std::min(j + 1, blocks.rows - 1);
  const float fu = u - static_cast<float>(i);
  const float fv = v - static_cast<float>(j);
  const Vec3* above = blocks.ptr<Vec3>(j);
  const Vec3* below = blocks.ptr<Vec3>(j1);
  return (1 - fv) * ((1 - fu) * above[i] + fu * above[i1]) +
         fv * ((1 - fu) * below[i] + fu * below[i1]);
}

cv::Mat linear_blocks(const cv::Mat& backdrop, double full_scale) {
  cv::Mat scaled;
  backdrop.convertTo(scaled, CV_16U, 65535.0 / full_scale);
  cv::Mat light(scaled.size(), CV_32FC3);
  for (int y = 0; y < scaled.rows; ++y) {
    const auto* from = scaled.ptr<std::uint16_t>(y);
    auto* to = light.ptr<Vec3>(y);
    for (int x = 0; x < scaled.cols; ++x) to[x] = light_of(from + 3 * x, 3);
  }
  return light;
}

struct Mixture {
  double coverage = 1;
  bool decided = false;  // specimen and backdrop differ enough to tell
};

// Coverage of one pixel of the band, see mask.h.
template <typename T>
Mixture mixture_at(const cv::Mat& image, const cv::Mat& hard, const cv::Mat& inner,
                   const cv::Mat& backdrop, int side, int x, int y) {
  const int channels = image.channels();
  const Vec3 behind = at_pixel(backdrop, side, x, y);
  Vec3 body(0, 0, 0);
  float weight = 0;
  Vec3 extreme(0, 0, 0);
  float extreme_weight = 0;
  const int y0 = std::max(0, y - kReach);
  const int y1 = std::min(image.rows - 1, y + kReach);
  const int x0 = std::max(0, x - kReach);
  const int x1 = std::min(image.cols - 1, x + kReach);
  for (int v = y0; v <= y1; ++v) {
    const std::uint8_t* in = inner.ptr<std::uint8_t>(v);
    const std::uint8_t* on = hard.ptr<std::uint8_t>(v);
    const T* row = image.ptr<T>(v);
    for (int u = x0; u <= x1; ++u) {
      if (in[u] != 0) {
        // Near pixels say most about the specimen's colour here.
        const float w = 1.0F / static_cast<float>(1 + (u - x) * (u - x) + (v - y) * (v - y));
        body += w * light_of(row + u * channels, channels);
        weight += w;
      } else if (weight == 0 && on[u] != 0 && std::abs(u - x) <= 2 && std::abs(v - y) <= 2) {
        const Vec3 light = light_of(row + u * channels, channels);
        const Vec3 d = light - behind;
        const float w = d.dot(d) * d.dot(d);
        extreme += w * light;
        extreme_weight += w;
      }
    }
  }
  if (weight > 0) {
    body *= 1.0F / weight;
  } else if (extreme_weight > 0) {
    body = (1.0F / extreme_weight) * extreme;
  } else {
    return {};
  }
  const Vec3 span = body - behind;
  const float length2 = span.dot(span);
  if (length2 < 1e-7F) return {};
  const Vec3 here = light_of(image.ptr<T>(y) + x * channels, channels) - behind;
  return {std::clamp(static_cast<double>(here.dot(span) / length2), 0.0, 1.0), true};
}

template <typename T>
void soften_band(const cv::Mat& image, const cv::Mat& hard, const cv::Mat& inner,
                 const cv::Mat& band, const cv::Mat& backdrop, int side, cv::Mat& coverage) {
  for (int y = 0; y < image.rows; ++y) {
    const std::uint8_t* in_band = band.ptr<std::uint8_t>(y);
    auto* out = coverage.ptr<std::uint8_t>(y);
    for (int x = 0; x < image.cols; ++x) {
      if (in_band[x] == 0) continue;
      const Mixture mixture = mixture_at<T>(image, hard, inner, backdrop, side, x, y);
      if (mixture.decided) {
        out[x] = static_cast<std::uint8_t>(std::lround(255.0 * mixture.coverage));
      }
    }
  }
}

}  // namespace

cv::Mat standing_out(const cv::Mat& image, const BlockLook& look, double full_scale) {
  const int side = look.side;
  cv::Mat result = cv::Mat::zeros(image.size(), CV_8U);
  std::vector<cv::Point> mixed;
  for (int j = 0; j < look.state.rows; ++j) {
    for (int i = 0; i < look.state.cols; ++i) {
      const auto state = look.state.at<uchar>(j, i);
      if (state == kClear) continue;
      if (state == kMixed) {
        mixed.emplace_back(i, j);
        continue;
      }
      const cv::Rect block(i * side, j * side, side, side);
      result(block & cv::Rect({0, 0}, image.size())).setTo(255);
    }
  }
  // Mixed blocks are gathered into strips, so that the colour conversion runs over long rows.
  constexpr std::size_t kBatch = 1024;
  for (std::size_t first = 0; first < mixed.size(); first += kBatch) {
    const std::size_t last = std::min(mixed.size(), first + kBatch);
    cv::Mat strip = cv::Mat::zeros(side, static_cast<int>(last - first) * side, image.type());
    for (std::size_t k = first; k < last; ++k) {
      const cv::Rect block = cv::Rect(mixed[k].x * side, mixed[k].y * side, side, side) &
                             cv::Rect({0, 0}, image.size());
      image(block).copyTo(
          strip(cv::Rect(static_cast<int>(k - first) * side, 0, block.width, block.height)));
    }
    const cv::Mat lab = to_lab(strip, full_scale);
    for (std::size_t k = first; k < last; ++k) {
      const cv::Rect block = cv::Rect(mixed[k].x * side, mixed[k].y * side, side, side) &
                             cv::Rect({0, 0}, image.size());
      const float low = look.low.at<float>(mixed[k]);
      for (int v = 0; v < block.height; ++v) {
        const auto* pixel = lab.ptr<Vec3>(v) + (k - first) * static_cast<std::size_t>(side);
        auto* out = result.ptr<std::uint8_t>(block.y + v) + block.x;
        for (int u = 0; u < block.width; ++u) {
          const Vec3 behind = at_pixel(look.backdrop_lab, side, block.x + u, block.y + v);
          out[u] = contrast(pixel[u], behind) >= low ? 255 : 0;
        }
      }
    }
  }
  return result;
}

Outline soften(const cv::Mat& image, const cv::Mat& hard, const BlockLook& look,
               double full_scale) {
  Outline outline;
  cv::Mat inner;
  const cv::Mat inset = cv::getStructuringElement(cv::MORPH_RECT, {2 * kInset + 1, 2 * kInset + 1});
  cv::erode(hard, inner, inset, cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(255));
  cv::Mat around;
  cv::dilate(hard, around, cv::Mat());
  const cv::Mat band = around & ~inner;
  outline.coverage = hard.clone();
  const cv::Mat backdrop = linear_blocks(look.backdrop, full_scale);
  if (image.depth() == CV_16U) {
    soften_band<std::uint16_t>(image, hard, inner, band, backdrop, look.side, outline.coverage);
  } else {
    soften_band<std::uint8_t>(image, hard, inner, band, backdrop, look.side, outline.coverage);
  }
  return outline;
}

}  // namespace trunnion

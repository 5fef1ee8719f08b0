#include "stages/mask_pixels.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"

namespace trunnion {
namespace {

constexpr int kInset = 4;  // px inside the outline where pixels are covered whole despite blur
// A specimen darker or lighter than the backdrop by less than this is no measure of coverage.
constexpr float kTellingSigmas = 8.0F;
constexpr double kSeenSigmas = 2.6;  // median of a true hole lies this near the backdrop
constexpr float kLimb = 0.7F;        // brightness of a limb against that of the inside nearby
constexpr int kReach = 6;            // px looked around for the specimen's own colour

using Vec3 = cv::Vec3f;

// Values 0..1 as the file holds them; grey is spread over three channels.
template <typename T>
Vec3 value_of(const T* pixel, int channels) {
  constexpr float kScale = 1.0F / static_cast<float>(std::numeric_limits<T>::max());
  if (channels == 1) return Vec3::all(kScale * static_cast<float>(pixel[0]));
  return {kScale * static_cast<float>(pixel[0]), kScale * static_cast<float>(pixel[1]),
          kScale * static_cast<float>(pixel[2])};
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

// Variance of a value 0..1: at_zero + per_level * value.
struct Noise {
  float at_zero = 0;
  float per_level = 0;
};

// Coverage of a mixture of `body` and `behind`, and how far the pixel lies from any such mixture.
struct Mixture {
  float coverage = 1;
  float residual2 = 0;
  bool decided = false;  // specimen and backdrop differ enough to tell
};

Mixture unmix(const Vec3& pixel, const Vec3& body, const Vec3& behind, const Noise& noise) {
  const Vec3 span = body - behind;
  const float length2 = span.dot(span);
  const float variance = noise.at_zero + noise.per_level * (behind[0] + behind[1] + behind[2]) / 3;
  if (length2 < std::max(1e-7F, kTellingSigmas * kTellingSigmas * variance)) return {};
  const Vec3 here = pixel - behind;
  const float coverage = std::clamp(here.dot(span) / length2, 0.0F, 1.0F);
  const Vec3 rest = here - coverage * span;
  return {coverage, rest.dot(rest), true};
}

// Coverage of one pixel of the band, see mask.h. Two guesses at the specimen's own colour are
// tried: its inside nearby, and the local extreme, which is what there is on a bristle. The one
// that explains the pixel better counts.
template <typename T>
Mixture mixture_at(const cv::Mat& image, const cv::Mat& hard, const cv::Mat& inner,
                   const cv::Mat& backdrop, const Noise& noise, int side, int x, int y) {
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
      if (on[u] == 0) continue;
      const bool close = std::abs(u - x) <= 2 && std::abs(v - y) <= 2;
      if (in[u] == 0 && !close) continue;
      const Vec3 value = value_of(row + u * channels, channels);
      if (in[u] != 0) {
        // Near pixels say most about the specimen's colour here.
        const float near = 1.0F / static_cast<float>(1 + (u - x) * (u - x) + (v - y) * (v - y));
        const float w = near * near * near;
        body += w * value;
        weight += w;
      }
      if (close) {
        const Vec3 d = value - behind;
        const float w = d.dot(d) * d.dot(d);
        extreme += w * value;
        extreme_weight += w;
      }
    }
  }
  const Vec3 pixel = value_of(image.ptr<T>(y) + x * channels, channels);
  Mixture inside;
  Mixture thin;
  if (weight > 0) {
    Vec3 limb = (1.0F / weight) * body;
    const Vec3 span = limb - behind;
    // Surfaces turn away from the light towards their limb: brighter ones come nearer to a darker
    // backdrop there than a few pixels inside.
    if (span[0] + span[1] + span[2] > 0) limb = behind + kLimb * span;
    inside = unmix(pixel, limb, behind, noise);
  }
  if (extreme_weight > 0) thin = unmix(pixel, (1.0F / extreme_weight) * extreme, behind, noise);
  if (!inside.decided) return thin;
  return thin.decided && thin.residual2 < inside.residual2 ? thin : inside;
}

template <typename T>
void soften_band(const cv::Mat& image, const cv::Mat& hard, const cv::Mat& inner,
                 const cv::Mat& band, const cv::Mat& backdrop, const Noise& noise, int side,
                 cv::Mat& coverage) {
  for (int y = 0; y < image.rows; ++y) {
    const std::uint8_t* in_band = band.ptr<std::uint8_t>(y);
    auto* out = coverage.ptr<std::uint8_t>(y);
    for (int x = 0; x < image.cols; ++x) {
      if (in_band[x] == 0) continue;
      const Mixture mixture = mixture_at<T>(image, hard, inner, backdrop, noise, side, x, y);
      if (mixture.decided) {
        out[x] = static_cast<std::uint8_t>(std::lround(255.0F * mixture.coverage));
      }
    }
  }
}

}  // namespace

Standing standing_out(const cv::Mat& image, const BlockLook& look, const SurveyResult& survey) {
  const int side = look.side;
  Standing result{cv::Mat::zeros(image.size(), CV_8U), cv::Mat::zeros(image.size(), CV_8U)};
  const auto depth_scale = static_cast<float>(40.0 / std::max(0.1, survey.separation.noise));
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
      result.out(block & cv::Rect({0, 0}, image.size())).setTo(255);
    }
  }
  // Mixed blocks are gathered into strips, each with a rim of a pixel, so that averaging and colour
  // conversion run over long rows. A mean of 3 x 3 finds what noise hides and what is thin alike.
  constexpr std::size_t kBatch = 1024;
  const int wide = side + 2;
  const cv::Rect whole({0, 0}, image.size());
  cv::Mat strip(wide, static_cast<int>(kBatch) * wide, image.type(), cv::Scalar::all(0));
  cv::Mat smooth;
  for (std::size_t first = 0; first < mixed.size(); first += kBatch) {
    const std::size_t last = std::min(mixed.size(), first + kBatch);
    for (std::size_t k = first; k < last; ++k) {
      const cv::Rect wanted(mixed[k].x * side - 1, mixed[k].y * side - 1, wide, wide);
      const cv::Rect found = wanted & whole;
      cv::Mat cell = strip(cv::Rect(static_cast<int>(k - first) * wide, 0, wide, wide));
      if (found == wanted) {
        image(found).copyTo(cell);
      } else {
        cv::copyMakeBorder(image(found), cell, found.y - wanted.y, wanted.br().y - found.br().y,
                           found.x - wanted.x, wanted.br().x - found.br().x, cv::BORDER_REPLICATE);
      }
    }
    cv::blur(strip.colRange(0, static_cast<int>(last - first) * wide), smooth, {3, 3});
    const cv::Mat lab = to_lab(smooth, survey.full_scale);
    for (std::size_t k = first; k < last; ++k) {
      const cv::Rect block = cv::Rect(mixed[k].x * side, mixed[k].y * side, side, side) & whole;
      const float low = look.low.at<float>(mixed[k]);
      for (int v = 0; v < block.height; ++v) {
        const auto* pixel = lab.ptr<Vec3>(v + 1) + (k - first) * static_cast<std::size_t>(wide) + 1;
        auto* out = result.out.ptr<std::uint8_t>(block.y + v) + block.x;
        auto* depth = result.depth.ptr<std::uint8_t>(block.y + v) + block.x;
        for (int u = 0; u < block.width; ++u) {
          const Vec3 behind = at_pixel(look.backdrop_lab, side, block.x + u, block.y + v);
          const float apart = contrast(pixel[u], behind);
          out[u] = apart >= low ? 255 : 0;
          depth[u] = cv::saturate_cast<std::uint8_t>(depth_scale * apart);
        }
      }
    }
  }
  return result;
}

bool shows_backdrop(const cv::Mat& image, const cv::Rect& box, const cv::Mat& inside,
                    const BlockLook& look, const SurveyResult& survey) {
  std::vector<float> differences;
  double level = 0;
  for (int y = 0; y < box.height; ++y) {
    for (int x = 0; x < box.width; ++x) {
      if (inside.at<uchar>(y, x) == 0) continue;
      const cv::Point at(box.x + x, box.y + y);
      const Vec3 behind = at_pixel(look.backdrop, look.side, at.x, at.y);
      const int channels = image.channels();
      const Vec3 value =
          image.depth() == CV_16U
              ? 65535.0F * value_of(image.ptr<std::uint16_t>(at.y) + at.x * channels, channels)
              : 255.0F * value_of(image.ptr<std::uint8_t>(at.y) + at.x * channels, channels);
      const Vec3 difference = value - behind;
      differences.push_back((difference[0] + difference[1] + difference[2]) / 3.0F);
      level += static_cast<double>(behind[0] + behind[1] + behind[2]) / 3.0;
    }
  }
  if (differences.empty()) return false;
  level /= static_cast<double>(differences.size());
  const auto middle = differences.begin() + static_cast<std::ptrdiff_t>(differences.size() / 2);
  std::nth_element(differences.begin(), middle, differences.end());
  const double sigma = std::sqrt(survey.noise_at_zero + survey.noise_per_level * level);
  return std::abs(*middle) <= kSeenSigmas * sigma;
}

cv::Mat soften(const cv::Mat& image, const cv::Mat& hard, const BlockLook& look,
               const SurveyResult& survey) {
  const double full_scale = survey.full_scale;
  const Noise noise{static_cast<float>(survey.noise_at_zero / (full_scale * full_scale)),
                    static_cast<float>(survey.noise_per_level / full_scale)};
  cv::Mat inner;
  const cv::Mat inset = cv::getStructuringElement(cv::MORPH_RECT, {2 * kInset + 1, 2 * kInset + 1});
  cv::erode(hard, inner, inset, cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(255));
  cv::Mat around;
  cv::dilate(hard, around, cv::Mat());
  const cv::Mat band = around & ~inner;
  cv::Mat coverage = hard.clone();
  cv::Mat backdrop;
  look.backdrop.convertTo(backdrop, CV_32F, 1.0 / full_scale);
  if (image.depth() == CV_16U) {
    soften_band<std::uint16_t>(image, hard, inner, band, backdrop, noise, look.side, coverage);
  } else {
    soften_band<std::uint8_t>(image, hard, inner, band, backdrop, noise, look.side, coverage);
  }
  return coverage;
}

}  // namespace trunnion

#include "stages/mask_edge.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "stages/mask_values.h"

namespace trunnion {
namespace {

constexpr int kDeepest = 8;     // px; wider transitions are out of focus
constexpr float kRisen = 0.8F;  // of the contrast further in: the transition is over
// A specimen that differs from the backdrop by less than this is no measure of coverage.
constexpr float kTellingSigmas = 8.0F;
constexpr float kLimb = 0.85F;  // brightness of a limb against that of the pixels behind it

// Coverage of a mixture of `body` and `behind`, and how far the pixel lies from any such mixture.
struct Mixture {
  float coverage = 1;
  float residual2 = 0;
  bool decided = false;  // specimen and backdrop differ enough to tell
};

Mixture unmix(const Vec3& pixel, const Vec3& body, const Vec3& behind, float variance) {
  const Vec3 span = body - behind;
  const float length2 = span.dot(span);
  if (length2 < std::max(1e-7F, kTellingSigmas * kTellingSigmas * variance)) return {};
  const Vec3 here = pixel - behind;
  const float coverage = std::clamp(here.dot(span) / length2, 0.0F, 1.0F);
  const Vec3 rest = here - coverage * span;
  return {coverage, rest.dot(rest), true};
}

// Two guesses at the specimen's own colour are tried: whole pixels next to it, and the local
// extreme, which is what there is on a bristle. The one that explains the pixel better counts.
template <typename T>
Mixture mixture_at(const cv::Mat& image, const cv::Mat& hard, const cv::Mat& inner,
                   const PixelBackdrop& backdrop, const cv::Point& tl, int reach, int x, int y) {
  const int channels = image.channels();
  const Vec3 behind = backdrop.at(tl.x + x, tl.y + y);
  Vec3 body(0, 0, 0);
  Vec3 extreme(0, 0, 0);
  float body_weight = 0;
  float extreme_weight = 0;
  for (int v = std::max(0, y - reach); v <= std::min(hard.rows - 1, y + reach); ++v) {
    const auto* in = inner.ptr<std::uint8_t>(v);
    const auto* on = hard.ptr<std::uint8_t>(v);
    const T* row = image.ptr<T>(tl.y + v) + tl.x * channels;
    for (int u = std::max(0, x - reach); u <= std::min(hard.cols - 1, x + reach); ++u) {
      if (on[u] == 0) continue;
      const Vec3 value = value_of(row + u * channels, channels);
      if (in[u] != 0) {
        // Near pixels say most about the specimen's colour here.
        const float near = 1.0F / static_cast<float>(1 + (u - x) * (u - x) + (v - y) * (v - y));
        const float w = near * near * near;
        body += w * value;
        body_weight += w;
      }
      const Vec3 d = value - behind;
      const float apart2 = d.dot(d);
      const float w = apart2 * apart2 * apart2;  // a pixel whole covered outvotes mixed ones
      extreme += w * value;
      extreme_weight += w;
    }
  }
  const Vec3 pixel = value_of(image.ptr<T>(tl.y + y) + (tl.x + x) * channels, channels);
  const float variance = backdrop.variance((behind[0] + behind[1] + behind[2]) / 3.0F);
  Mixture inside;
  Mixture thin;
  if (body_weight > 0) {
    Vec3 limb = (1.0F / body_weight) * body;
    const Vec3 span = limb - behind;
    // Surfaces turn away from the light towards their limb: brighter ones come nearer to a darker
    // backdrop there than a pixel or two inside.
    if (span[0] + span[1] + span[2] > 0) limb = behind + kLimb * span;
    inside = unmix(pixel, limb, behind, variance);
  }
  if (extreme_weight > 0) thin = unmix(pixel, (1.0F / extreme_weight) * extreme, behind, variance);
  if (!inside.decided) return thin;
  return thin.decided && thin.residual2 < inside.residual2 ? thin : inside;
}

// Width of the transition from backdrop to specimen, px: the layer of `region`, counted inwards, in
// which the median contrast reaches what it is further in. Lens, sensor and fusion spread an edge
// over more than the pixel it crosses.
template <typename T>
int transition_of(const cv::Mat& image, const cv::Rect& box, const cv::Mat& region,
                  const PixelBackdrop& backdrop) {
  std::array<cv::Mat, kDeepest + 1> eroded;
  eroded[0] = region;
  for (std::size_t d = 1; d < eroded.size(); ++d) {
    cv::erode(eroded[d - 1], eroded[d], cv::Mat(), cv::Point(-1, -1), 1, cv::BORDER_CONSTANT,
              cv::Scalar(255));
  }
  cv::Mat thick;  // only where there is an inside to compare with
  constexpr int kWide = 2 * kDeepest + 3;
  cv::dilate(eroded[kDeepest], thick, cv::getStructuringElement(cv::MORPH_RECT, {kWide, kWide}));
  const int channels = image.channels();
  const int step = std::max(1, box.height / 600);
  std::array<std::vector<float>, kDeepest> contrasts;
  for (int y = 0; y < box.height; y += step) {
    const T* row = image.ptr<T>(box.y + y) + box.x * channels;
    for (int x = 0; x < box.width; ++x) {
      if (thick.at<std::uint8_t>(y, x) == 0 || eroded[0].at<std::uint8_t>(y, x) == 0 ||
          eroded[kDeepest].at<std::uint8_t>(y, x) != 0) {
        continue;
      }
      std::size_t d = 0;
      while (eroded[d + 1].at<std::uint8_t>(y, x) != 0) ++d;
      const Vec3 away = value_of(row + x * channels, channels) - backdrop.at(box.x + x, box.y + y);
      contrasts[d].push_back(away.dot(away));
    }
  }
  std::array<float, kDeepest> middle{};
  for (std::size_t d = 0; d < contrasts.size(); ++d) {
    std::vector<float>& values = contrasts[d];
    if (values.size() < 50) return 1;
    const auto at = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), at, values.end());
    middle[d] = std::sqrt(*at);
  }
  int inset = 1;
  while (inset + 1 < kDeepest &&
         middle[static_cast<std::size_t>(inset)] < kRisen * middle[kDeepest - 1]) {
    ++inset;
  }
  return inset;
}

template <typename T>
void soften_band(const cv::Mat& image, const cv::Mat& hard, const cv::Mat& inner,
                 const cv::Mat& band, const PixelBackdrop& backdrop, const cv::Point& tl, int reach,
                 cv::Mat& coverage) {
  for (int y = 0; y < band.rows; ++y) {
    const auto* in_band = band.ptr<std::uint8_t>(y);
    auto* out = coverage.ptr<std::uint8_t>(y);
    for (int x = 0; x < band.cols; ++x) {
      if (in_band[x] == 0) continue;
      const Mixture mixture = mixture_at<T>(image, hard, inner, backdrop, tl, reach, x, y);
      if (mixture.decided) {
        out[x] = static_cast<std::uint8_t>(std::lround(255.0F * mixture.coverage));
      }
    }
  }
}

}  // namespace

cv::Mat soften(const cv::Mat& image, const cv::Rect& box, const cv::Mat& hard,
               const BlockLook& look, const SurveyResult& survey) {
  cv::Mat coverage = hard.clone();
  if (box.empty()) return coverage;
  const PixelBackdrop backdrop(look, survey);
  const cv::Mat region = hard(box);
  const int inset = image.depth() == CV_16U
                        ? transition_of<std::uint16_t>(image, box, region, backdrop)
                        : transition_of<std::uint8_t>(image, box, region, backdrop);
  cv::Mat inner;
  const cv::Mat three = cv::Mat();
  cv::erode(region, inner, three, cv::Point(-1, -1), inset, cv::BORDER_CONSTANT, cv::Scalar(255));
  // Parts thinner than this may be mixtures throughout.
  const int thick_px = 2 * inset + 3;
  cv::Mat thick;
  const cv::Mat disc = cv::getStructuringElement(cv::MORPH_ELLIPSE, {thick_px, thick_px});
  cv::erode(region, thick, disc, cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(255));
  cv::dilate(thick, thick, disc);
  inner &= thick;
  cv::Mat around;
  cv::dilate(region, around, cv::Mat());
  const cv::Mat band = around & ~inner;
  cv::Mat soft = coverage(box);
  if (image.depth() == CV_16U) {
    soften_band<std::uint16_t>(image, region, inner, band, backdrop, box.tl(), inset + 1, soft);
  } else {
    soften_band<std::uint8_t>(image, region, inner, band, backdrop, box.tl(), inset + 1, soft);
  }
  return coverage;
}

}  // namespace trunnion

#include "stages/mask_edge.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "stages/mask_thin_colour.h"
#include "stages/mask_unmix.h"
#include "stages/mask_values.h"

namespace trunnion {
namespace {

constexpr int kDeepest = 8;     // px; wider transitions are out of focus
constexpr float kRisen = 0.8F;  // of the contrast further in: the transition is over
constexpr float kLimb = 0.9F;   // brightness of a limb against that of the pixels behind it
// Spread of a limb's colours about those of the pixels behind it: in brightness, and any way.
constexpr float kShading = 0.3F;
constexpr float kFloor = 0.01F;
constexpr std::size_t kMostThin = 3000;  // pixels that tell the colours of thin parts

// Sums over whole pixels near a mixed one.
struct Whole {
  float weight = 0;
  Vec3 sum{0, 0, 0};
  cv::Matx33f products = cv::Matx33f::zeros();
  void add(const Vec3& value, float w) {
    weight += w;
    sum += w * value;
    products += w * (value * value.t());
  }
  // Surfaces turn away from the light towards their limb: brighter ones come nearer to a darker
  // backdrop there than a pixel or two inside.
  [[nodiscard]] Colours at_limb(const Vec3& behind) const {
    const Vec3 inside = (1.0F / weight) * sum;
    const Vec3 span = inside - behind;
    Vec3 limb = inside;
    if (span[0] + span[1] + span[2] > 0) limb = behind + kLimb * span;
    return {limb, (1.0F / weight) * products - inside * inside.t() +
                      kShading * kShading * (limb * limb.t()) +
                      kFloor * kFloor * cv::Matx33f::eye()};
  }
};

// What the pixels of a band along the outline are compared with.
struct Band {
  const cv::Mat& image;
  cv::Rect box;  // of the maps below in the image
  const PixelBackdrop& backdrop;
  cv::Mat hard;   // kept
  cv::Mat inner;  // covered whole
  cv::Mat thin;   // parts too thin for an inside, and a pixel around them
  int reach;      // px to pixels that tell the specimen's colour
};

// Two guesses at the specimen's own colour are tried: whole pixels next to it, and the local
// extreme, which is what there is on a bristle. The likelier one counts; thin parts know only the
// second.
template <typename T>
Mixture mixture_at(const Band& band, int x, int y, const std::optional<ThinColours>& learnt) {
  const int channels = band.image.channels();
  const Vec3 behind = band.backdrop.at(band.box.x + x, band.box.y + y);
  Whole body;
  Vec3 extreme(0, 0, 0);
  float extreme_weight = 0;
  const bool is_thin = band.thin.ptr<std::uint8_t>(y)[x] != 0;
  const int bottom = std::min(band.box.height - 1, y + band.reach);
  const int right = std::min(band.box.width - 1, x + band.reach);
  for (int v = std::max(0, y - band.reach); v <= bottom; ++v) {
    const auto* on = band.hard.ptr<std::uint8_t>(v);
    const auto* in = band.inner.ptr<std::uint8_t>(v);
    const auto* thin = band.thin.ptr<std::uint8_t>(v);
    const T* row = band.image.ptr<T>(band.box.y + v) + band.box.x * channels;
    for (int u = std::max(0, x - band.reach); u <= right; ++u) {
      if (on[u] == 0) continue;
      const Vec3 value = value_of(row + u * channels, channels);
      if (in[u] != 0) {
        // Near pixels say most about the specimen's colour here.
        const float near = 1.0F / static_cast<float>(1 + (u - x) * (u - x) + (v - y) * (v - y));
        body.add(value, near * near * near);
      }
      if (is_thin && thin[u] == 0) continue;
      const Vec3 d = value - behind;
      const float apart2 = d.dot(d);
      const float w = apart2 * apart2 * apart2;  // a pixel whole covered outvotes mixed ones
      extreme += w * value;
      extreme_weight += w;
    }
  }
  const Vec3 pixel =
      value_of(band.image.ptr<T>(band.box.y + y) + (band.box.x + x) * channels, channels);
  const float variance = band.backdrop.variance((behind[0] + behind[1] + behind[2]) / 3.0F);
  Mixture alone;
  if (extreme_weight > 0) {
    alone = unmix(pixel, thin_colours_here((1.0F / extreme_weight) * extreme, behind, learnt),
                  behind, variance);
  }
  if (body.weight <= 0 || (is_thin && alone.decided)) return alone;
  const Mixture inside = unmix(pixel, body.at_limb(behind), behind, variance);
  if (!inside.decided) return alone;
  return alone.decided && alone.cost < inside.cost ? alone : inside;
}

// Colours of the thin parts, from pixels spread evenly over them.
template <typename T>
std::optional<ThinColours> thin_colours(const Band& band) {
  const cv::Mat kept = band.thin & band.hard;
  const std::size_t count = static_cast<std::size_t>(cv::countNonZero(kept));
  const std::size_t step = 1 + count / kMostThin;
  const int channels = band.image.channels();
  std::vector<ThinPixel> pixels;
  std::size_t passed = 0;
  for (int y = 0; y < kept.rows; ++y) {
    const auto* on = kept.ptr<std::uint8_t>(y);
    const T* row = band.image.ptr<T>(band.box.y + y) + band.box.x * channels;
    for (int x = 0; x < kept.cols; ++x) {
      if (on[x] == 0 || passed++ % step != 0) continue;
      const Vec3 behind = band.backdrop.at(band.box.x + x, band.box.y + y);
      const float variance = band.backdrop.variance((behind[0] + behind[1] + behind[2]) / 3.0F);
      pixels.push_back({value_of(row + x * channels, channels), behind, variance});
    }
  }
  return learn_thin_colours(pixels);
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
void soften_band(const Band& band, const cv::Mat& mixed, cv::Mat& coverage) {
  const std::optional<ThinColours> learnt = thin_colours<T>(band);
  for (int y = 0; y < mixed.rows; ++y) {
    const auto* here = mixed.ptr<std::uint8_t>(y);
    auto* out = coverage.ptr<std::uint8_t>(y);
    for (int x = 0; x < mixed.cols; ++x) {
      if (here[x] == 0) continue;
      const Mixture mixture = mixture_at<T>(band, x, y, learnt);
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
  cv::dilate(region, around, three);
  cv::dilate(thick, thick, three);
  const Band band{image, box, backdrop, region, inner, around & ~thick, inset + 1};
  const cv::Mat mixed = around & ~inner;
  cv::Mat soft = coverage(box);
  if (image.depth() == CV_16U) {
    soften_band<std::uint16_t>(band, mixed, soft);
  } else {
    soften_band<std::uint8_t>(band, mixed, soft);
  }
  return coverage;
}

}  // namespace trunnion

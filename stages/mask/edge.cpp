#include "stages/mask/edge.h"

#include <tbb/enumerable_thread_specific.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "core/median.h"
#include "stages/mask/outline_tiles.h"
#include "stages/mask/thin_colour.h"
#include "stages/mask/unmix.h"
#include "stages/mask/values.h"
#include "stages/mask/window.h"

namespace trunnion::mask {
namespace {

constexpr int kDeepest = 8;     // px; wider transitions are out of focus
constexpr float kRisen = 0.8F;  // of the contrast further in: the transition is over
constexpr float kLimb = 0.9F;   // brightness of a limb against that of the pixels behind it
// Spread of a limb's colours about those of the pixels behind it: in brightness, and any way.
constexpr float kShading = 0.3F;
constexpr float kFloor = 0.01F;
constexpr float kDarkBackdrop =
    0.2F;  // of full scale: darker than this, brightness alone separates
constexpr std::size_t kMostThin = 3000;  // pixels that the colours of thin parts are learnt from

// Surfaces turn away from the light towards their limb: brighter ones come nearer to a darker
// backdrop there than a pixel or two inside.
Colours colours_at_limb(const WindowSums& near, const Vec3& behind) {
  const float share = 1.0F / near.weight;
  const Vec3 inside(share * near.sum[0], share * near.sum[1], share * near.sum[2]);
  const Vec3 span = inside - behind;
  Vec3 limb = inside;
  if (span[0] + span[1] + span[2] > 0) limb = behind + kLimb * span;
  const auto& p = near.products;
  const cv::Matx33f square(p[0], p[1], p[2], p[1], p[3], p[4], p[2], p[4], p[5]);
  return {limb, share * square - inside * inside.t() + kShading * kShading * (limb * limb.t()) +
                    kFloor * kFloor * cv::Matx33f::eye()};
}

// What the pixels of a part of the band along the outline are compared with.
struct Band {
  const cv::Mat* image = nullptr;
  cv::Rect box;   // of the maps below in the image
  cv::Rect core;  // of the box: pixels that are this part's own
  const PixelBackdrop* backdrop = nullptr;
  cv::Mat binary_mask;  // kept
  cv::Mat inner;        // covered whole
  cv::Mat thin;         // parts too thin for an inside, and a pixel around them
  cv::Mat mixed;        // what is unmixed
};

// Two guesses at the specimen's own colour are tried: whole pixels next to it, and the local
// extreme, which is what there is on a bristle. The likelier one counts; thin parts know only the
// second.
template <typename T>
Mixture mixture_at(const Band& band, int x, int y, const OutlineWindow& window,
                   const std::optional<ThinColours>& learnt) {
  const int channels = band.image->channels();
  const Vec3 behind = band.backdrop->at(band.box.x + x, band.box.y + y);
  const bool is_thin = band.thin.ptr<std::uint8_t>(y)[x] != 0;
  const WindowSums near = window.at(x, y, behind, is_thin);
  const Vec3 pixel =
      value_of(band.image->ptr<T>(band.box.y + y) + (band.box.x + x) * channels, channels);
  const float variance = band.backdrop->variance((behind[0] + behind[1] + behind[2]) / 3.0F);
  Mixture alone;
  if (near.extreme_weight > 0) {
    const float share = 1.0F / near.extreme_weight;
    const Vec3 extreme(share * near.extreme[0], share * near.extreme[1], share * near.extreme[2]);
    alone = unmix(pixel, thin_colours_here(extreme, behind, learnt), behind, variance);
  }
  if (near.weight <= 0 || (is_thin && alone.decided)) return alone;
  const Mixture inside = unmix(pixel, colours_at_limb(near, behind), behind, variance);
  if (!inside.decided) return alone;
  return alone.decided && alone.cost < inside.cost ? alone : inside;
}

// Colours of the thin parts, from pixels spread evenly over them.
template <typename T>
std::optional<ThinColours> thin_colours(const std::vector<Band>& bands) {
  std::size_t count = 0;
  for (const Band& band : bands) {
    count += static_cast<std::size_t>(cv::countNonZero((band.thin & band.binary_mask)(band.core)));
  }
  const std::size_t step = 1 + count / kMostThin;
  std::vector<ThinPixel> pixels;
  std::size_t passed = 0;
  for (const Band& band : bands) {
    const int channels = band.image->channels();
    for (int y = band.core.y; y < band.core.br().y; ++y) {
      const auto* thin = band.thin.ptr<std::uint8_t>(y);
      const auto* on = band.binary_mask.ptr<std::uint8_t>(y);
      const T* row = band.image->ptr<T>(band.box.y + y) + band.box.x * channels;
      for (int x = band.core.x; x < band.core.br().x; ++x) {
        if (thin[x] == 0 || on[x] == 0 || passed++ % step != 0) continue;
        const Vec3 behind = band.backdrop->at(band.box.x + x, band.box.y + y);
        const float variance = band.backdrop->variance((behind[0] + behind[1] + behind[2]) / 3.0F);
        pixels.push_back({value_of(row + x * channels, channels), behind, variance});
      }
    }
  }
  return learn_thin_colours(pixels);
}

cv::Mat eroded_by(const cv::Mat& region, const cv::Mat& element, int times = 1) {
  cv::Mat result;
  cv::erode(region, result, element, cv::Point(-1, -1), times, cv::BORDER_CONSTANT,
            cv::Scalar(255));
  return result;
}

using LayerContrasts = std::array<std::vector<float>, kDeepest>;

// Squared contrasts of a tile's pixels by the layer they lie in; of every `step`th row.
template <typename T>
void sort_by_layer(const cv::Mat& image, const OutlineTile& tile, const cv::Mat& binary_mask,
                   int step, const PixelBackdrop& backdrop, LayerContrasts& contrasts) {
  std::array<cv::Mat, kDeepest + 1> eroded;
  eroded[0] = binary_mask(tile.outer);
  for (std::size_t d = 1; d < eroded.size(); ++d) eroded[d] = eroded_by(eroded[d - 1], cv::Mat());
  cv::Mat thick;  // only where there is an inside to compare with
  constexpr int kWide = 2 * kDeepest + 3;
  cv::dilate(eroded[kDeepest], thick, cv::getStructuringElement(cv::MORPH_RECT, {kWide, kWide}));
  const int channels = image.channels();
  for (int y = tile.core.y + (step - tile.core.y % step) % step; y < tile.core.br().y; y += step) {
    const int v = y - tile.outer.y;
    const T* row = image.ptr<T>(y);
    for (int x = tile.core.x; x < tile.core.br().x; ++x) {
      const int u = x - tile.outer.x;
      if (thick.at<std::uint8_t>(v, u) == 0 || eroded[0].at<std::uint8_t>(v, u) == 0 ||
          eroded[kDeepest].at<std::uint8_t>(v, u) != 0) {
        continue;
      }
      std::size_t d = 0;
      while (eroded[d + 1].at<std::uint8_t>(v, u) != 0) ++d;
      const Vec3 away = value_of(row + x * channels, channels) - backdrop.at(x, y);
      contrasts[d].push_back(away.dot(away));
    }
  }
}

// Width of the transition from backdrop to specimen, px: the layer of the kept region, counted
// inwards, in which the median contrast reaches what it is further in. Lens, sensor and fusion
// spread an edge over more than the pixel it crosses.
template <typename T>
int transition_of(const cv::Mat& image, const std::vector<OutlineTile>& tiles,
                  const cv::Mat& binary_mask, int step, const PixelBackdrop& backdrop) {
  LayerContrasts contrasts;
  for (const OutlineTile& tile : tiles) {
    sort_by_layer<T>(image, tile, binary_mask, step, backdrop, contrasts);
  }
  std::array<float, kDeepest> middle{};
  for (std::size_t d = 0; d < contrasts.size(); ++d) {
    std::vector<float>& values = contrasts[d];
    if (values.size() < 50) return 1;
    middle[d] = std::sqrt(median_in_place(values));
  }
  int inset = 1;
  while (inset + 1 < kDeepest &&
         middle[static_cast<std::size_t>(inset)] < kRisen * middle[kDeepest - 1]) {
    ++inset;
  }
  return inset;
}

Band band_of(const cv::Mat& image, const OutlineTile& tile, const cv::Mat& binary_mask, int inset,
             const PixelBackdrop& backdrop) {
  const cv::Mat region = binary_mask(tile.outer);
  const cv::Mat three = cv::Mat();
  // Parts thinner than this may be mixtures throughout.
  const int thick_px = 2 * inset + 3;
  const cv::Mat disc = cv::getStructuringElement(cv::MORPH_ELLIPSE, {thick_px, thick_px});
  cv::Mat thick = eroded_by(region, disc);
  cv::dilate(thick, thick, disc);
  const cv::Mat inner = eroded_by(region, three, inset) & thick;
  cv::Mat around;
  cv::dilate(region, around, three);
  cv::dilate(thick, thick, three);
  return {&image,          tile.outer,     tile.core - tile.outer.tl(), &backdrop, region, inner,
          around & ~thick, around & ~inner};
}

template <typename T>
void soften_band(const Band& band, const std::optional<ThinColours>& learnt, OutlineWindow& window,
                 cv::Mat& coverage) {
  window.take(*band.image, band.box.tl(), band.core, band.binary_mask, band.inner, band.thin);
  for (int y = band.core.y; y < band.core.br().y; ++y) {
    const auto* here = band.mixed.ptr<std::uint8_t>(y);
    auto* out = coverage.ptr<std::uint8_t>(band.box.y + y) + band.box.x;
    for (int x = band.core.x; x < band.core.br().x; ++x) {
      if (here[x] == 0) continue;
      const Mixture mixture = mixture_at<T>(band, x, y, window, learnt);
      if (mixture.decided) {
        out[x] = static_cast<std::uint8_t>(std::lround(255.0F * mixture.coverage));
      }
    }
  }
}

template <typename T>
void soften_bands(const cv::Mat& image, const cv::Rect& box, const cv::Mat& binary_mask,
                  const PixelBackdrop& backdrop, SoftOutline& outline) {
  const int step = std::max(1, box.height / 600);
  // Two discs, the layers and the pixels that give a colour.
  constexpr int kRim = 2 * (kDeepest + 2) + kDeepest + 3;
  const std::vector<OutlineTile> tiles = outline_tiles(binary_mask, box, kRim);
  const int inset = transition_of<T>(image, tiles, binary_mask, step, backdrop);
  outline.transition_px = inset;
  outline.coverage = binary_mask.clone();
  std::vector<Band> bands(tiles.size());
  tbb::parallel_for(std::size_t{0}, tiles.size(), [&](std::size_t k) {
    bands[k] = band_of(image, tiles[k], binary_mask, inset, backdrop);
  });
  for (const Band& band : bands) {
    const int thin = cv::countNonZero((band.thin & band.binary_mask)(band.core));
    const cv::Point middle = band.box.tl() + (band.core.tl() + band.core.br()) / 2;
    const Vec3 behind = backdrop.at(middle.x, middle.y);
    const bool dark = behind[0] + behind[1] + behind[2] < 3.0F * kDarkBackdrop;
    outline.parts.push_back(
        {middle, dark ? DoubtKind::thin_in_dark : DoubtKind::thin, static_cast<double>(thin)});
  }
  const std::optional<ThinColours> learnt = thin_colours<T>(bands);
  tbb::enumerable_thread_specific<OutlineWindow> windows(inset + 1);
  tbb::parallel_for(std::size_t{0}, bands.size(), [&](std::size_t k) {
    soften_band<T>(bands[k], learnt, windows.local(), outline.coverage);
  });
}

}  // namespace

SoftOutline soften(const cv::Mat& image, const cv::Rect& box, const cv::Mat& binary_mask,
                   const BlockContrast& blocks, const SurveyResult& survey) {
  SoftOutline outline;
  if (box.empty()) {
    outline.coverage = binary_mask.clone();
    return outline;
  }
  const PixelBackdrop backdrop(blocks, survey);
  if (image.depth() == CV_16U) {
    soften_bands<std::uint16_t>(image, box, binary_mask, backdrop, outline);
  } else {
    soften_bands<std::uint8_t>(image, box, binary_mask, backdrop, outline);
  }
  return outline;
}

}  // namespace trunnion::mask

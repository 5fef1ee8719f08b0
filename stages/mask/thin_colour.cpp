#include "stages/mask/thin_colour.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

namespace trunnion::mask {
namespace {

constexpr std::size_t kEnoughThin = 200;   // pixels
constexpr float kFirstShare = 0.25F;       // of the pixels, those of most contrast: the first guess
constexpr int kThinRounds = 15;            // of expectation maximisation; settled by then
constexpr std::size_t kLevels = 10;        // of coverage
constexpr float kLeastThinSpread = 1e-5F;  // variance, values 0..1
// By how much the extreme of a part that covers some pixel whole may fall short of or exceed the
// part's mean colour, 1 sigma.
constexpr double kExtremeSigma = 0.17;
constexpr double kThinnest = 0.15;  // px of a part that still stands out
constexpr double kMaybeThin = 0.5;  // probability that a part is thinner than a pixel
constexpr double kFarOff = 9.0;     // squared distance beyond which a part is of another kind
// Spread of a single part's colours that are like no other's: along its brightness, and any way.
constexpr float kThinShading = 0.2F;
constexpr float kThinFloor = 0.03F;

// Density of pixels with a given coverage, but for a constant.
struct Density {
  float level;
  cv::Matx33d inverse;  // grey colours differ in one direction only: singles would cancel
  double norm;
  Density(float coverage, const cv::Matx33d& spread, double variance) : level(coverage) {
    const cv::Matx33d s = level * level * spread + variance * cv::Matx33d::eye();
    inverse = s.inv(cv::DECOMP_CHOLESKY);
    norm = 1.0 / std::sqrt(cv::determinant(s));
  }
  [[nodiscard]] float of(const ThinPixel& pixel, const Vec3& mean) const {
    const Vec3 rest = pixel.value - pixel.behind - level * (mean - pixel.behind);
    return static_cast<float>(norm * std::exp(-0.5 * product(rest, inverse, rest)));
  }
};

// 1 for the pixels of most contrast, 0 for the others.
std::vector<float> first_guess(const std::vector<ThinPixel>& pixels) {
  std::vector<float> apart;
  apart.reserve(pixels.size());
  for (const ThinPixel& p : pixels) apart.push_back((p.value - p.behind).dot(p.value - p.behind));
  std::vector<float> sorted = apart;
  const auto at = sorted.begin() + static_cast<std::ptrdiff_t>((1.0F - kFirstShare) *
                                                               static_cast<float>(sorted.size()));
  std::nth_element(sorted.begin(), at, sorted.end());
  for (float& value : apart) value = value >= *at ? 1.0F : 0.0F;
  return apart;
}

Colours weighted_colours(const std::vector<ThinPixel>& pixels, const std::vector<float>& weights,
                         float total) {
  Colours colours{Vec3(0, 0, 0), kLeastThinSpread * cv::Matx33f::eye()};
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    colours.mean += (weights[i] / total) * pixels[i].value;
  }
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    const Vec3 d = pixels[i].value - colours.mean;
    colours.spread += (weights[i] / total) * (d * d.t());
  }
  return colours;
}

// Of a part's local extreme: how much of its pixel the part covers, the mean of its distribution
// given that the part's colour is one of those learnt. `known` = span' P span and `along` =
// span' P (m - behind) with the learnt precision P and mean m. Either some pixel is covered whole,
// and the extreme is the part's colour but for its shading, or the part is thinner than a pixel and
// covers any share of it alike.
double coverage_of_extreme(double known, double along) {
  constexpr int kSteps = 16;
  const auto likelihood = [&](double scale) {
    return std::exp(-0.5 * scale * scale * known + scale * along -
                    0.5 * along * along / std::max(known, 1e-9));
  };
  double whole = 0;
  double whole_weight = 0;
  double whole_cover = 0;
  double thin = 0;
  double thin_cover = 0;
  for (int k = 0; k <= kSteps; ++k) {
    const double z = -2.5 + 5.0 * k / kSteps;
    const double scale = 1.0 + kExtremeSigma * z;
    const double weight = std::exp(-0.5 * z * z);
    whole_weight += weight;
    whole += weight * likelihood(scale);
    whole_cover += weight * likelihood(scale) / scale;
    const double cover = kThinnest + (1.0 - kThinnest) * (k + 0.5) / (kSteps + 1);
    thin += likelihood(1.0 / cover);
    thin_cover += cover * likelihood(1.0 / cover);
  }
  const double a = (1.0 - kMaybeThin) / whole_weight;
  const double b = kMaybeThin / (kSteps + 1);
  const double total = a * whole + b * thin;
  return total > 1e-30 ? (a * whole_cover + b * thin_cover) / total : 1.0;
}

}  // namespace

std::optional<ThinColours> learn_thin_colours(const std::vector<ThinPixel>& pixels) {
  if (pixels.size() < kEnoughThin) return std::nullopt;
  float variance = 0;
  for (const ThinPixel& p : pixels) variance += p.variance / static_cast<float>(pixels.size());
  std::vector<float> whole = first_guess(pixels);  // probability that a pixel is covered whole
  Colours colours;
  for (int round = 0; round < kThinRounds; ++round) {
    float total = 1e-6F;
    for (const float w : whole) total += w;
    colours = weighted_colours(pixels, whole, total);
    const float share = std::clamp(total / static_cast<float>(pixels.size()), 0.02F, 0.9F);
    const Density all(1.0F, colours.spread, variance);
    std::vector<Density> part;
    for (std::size_t k = 0; k < kLevels; ++k) {
      part.emplace_back((static_cast<float>(k) + 0.5F) / kLevels, colours.spread, variance);
    }
    for (std::size_t i = 0; i < pixels.size(); ++i) {
      float mixed = 1e-30F;
      for (const Density& density : part) mixed += density.of(pixels[i], colours.mean);
      mixed *= (1.0F - share) / kLevels;
      const float covered = share * all.of(pixels[i], colours.mean);
      whole[i] = covered / (covered + mixed);
    }
  }
  const cv::Matx33d spread = colours.spread;
  if (!cv::checkRange(spread) || !cv::checkRange(colours.mean)) return std::nullopt;
  return ThinColours{colours, spread.inv(cv::DECOMP_CHOLESKY)};
}

Colours thin_colours_here(const Vec3& extreme, const Vec3& behind,
                          const std::optional<ThinColours>& learnt) {
  if (learnt) {
    const Vec3 span = extreme - behind;
    const double known = product(span, learnt->precision, span);
    const double along = product(span, learnt->precision, learnt->colours.mean - behind);
    const auto share = static_cast<float>(1.0 / coverage_of_extreme(known, along));
    const Vec3 mean = behind + share * span;
    const Vec3 off = mean - learnt->colours.mean;
    if (product(off, learnt->precision, off) < kFarOff) return {mean, learnt->colours.spread};
  }
  return {extreme, kThinShading * kThinShading * (extreme * extreme.t()) +
                       kThinFloor * kThinFloor * cv::Matx33f::eye()};
}

}  // namespace trunnion::mask

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

// Of three degrees of freedom: 0.3 % of backdrop pixels lie beyond (tables of the distribution).
constexpr float kLikeChi2 = 14.0F;
constexpr double kGapChi2 = 7.0;      // mean over a gap; 3 is noise, its mixed rim adds to it
constexpr double kSmoothChi2 = 20.0;  // the same of means of 3 x 3, with the backdrop's own error
constexpr int kLeastGap = 3;          // px; smaller ones count only next to the outline
constexpr float kColoured = 16.5F;    // chroma from which colour tells more than brightness
constexpr int kLeastShadow = 20;      // px; a glint may come near the backdrop's colour
constexpr int kDeepest = 8;           // px; wider transitions are out of focus
constexpr float kRisen = 0.8F;        // of the contrast further in: the transition is over
// A specimen that differs from the backdrop by less than this is no measure of coverage.
constexpr float kTellingSigmas = 8.0F;
constexpr float kLimb = 0.85F;  // brightness of a limb against that of the pixels behind it

// Differences from the backdrop over the noise within `box`, a row at a time: all of them would
// take twelve bytes a pixel.
class Difference {
 public:
  Difference(const cv::Mat& image, const cv::Rect& box, const cv::Mat& hard,
             const PixelBackdrop& backdrop, const BlockLook& look)
      : image_(image), box_(box), hard_(hard), backdrop_(backdrop), look_(look) {}

  // 0 where `hard` is not or the block is solid.
  void row(int y, Vec3* z) const {
    if (image_.depth() == CV_16U) {
      row_of<std::uint16_t>(y, z);
    } else {
      row_of<std::uint8_t>(y, z);
    }
  }
  // Which pixels are like the backdrop, CV_8U.
  [[nodiscard]] cv::Mat like() const {
    cv::Mat result(box_.size(), CV_8U);
    std::vector<Vec3> z(static_cast<std::size_t>(box_.width));
    for (int y = 0; y < box_.height; ++y) {
      row(y, z.data());
      auto* like = result.ptr<std::uint8_t>(y);
      for (int x = 0; x < box_.width; ++x) {
        const Vec3& here = z[static_cast<std::size_t>(x)];
        like[x] = looked_at(x, y) && here.dot(here) < kLikeChi2 ? 255 : 0;
      }
    }
    return result;
  }

 private:
  [[nodiscard]] bool looked_at(int x, int y) const {
    return hard_.ptr<std::uint8_t>(box_.y + y)[box_.x + x] != 0 &&
           look_.state.ptr<std::uint8_t>((box_.y + y) / look_.side)[(box_.x + x) / look_.side] !=
               kSolid;
  }
  template <typename T>
  void row_of(int y, Vec3* z) const {
    const int channels = image_.channels();
    const T* row = image_.ptr<T>(box_.y + y) + box_.x * channels;
    for (int x = 0; x < box_.width; ++x) {
      z[x] = Vec3(0, 0, 0);
      if (!looked_at(x, y)) continue;
      const Vec3 behind = backdrop_.at(box_.x + x, box_.y + y);
      const Vec3 away = value_of(row + x * channels, channels) - behind;
      for (int c = 0; c < 3; ++c) z[x][c] = away[c] / std::sqrt(backdrop_.variance(behind[c]));
    }
  }

  const cv::Mat& image_;
  cv::Rect box_;
  const cv::Mat& hard_;
  const PixelBackdrop& backdrop_;
  const BlockLook& look_;
};

struct Gap {
  int area = 0;
  int wide = 0;  // pixels whose 3 x 3 neighbours all belong to gaps
  double chi2 = 0;
  double smooth_chi2 = 0;
};

// Which labels of `labels` are gaps.
std::vector<char> judge_gaps(const Difference& difference, const cv::Mat& like,
                             const cv::Mat& labels, int count) {
  constexpr int kBandRows = 64;
  std::vector<Gap> gaps(static_cast<std::size_t>(count));
  cv::Mat wide;
  cv::erode(like, wide, cv::Mat());
  cv::Mat smooth;
  for (int first = 0; first < labels.rows; first += kBandRows) {
    const int last = std::min(labels.rows, first + kBandRows);
    if (cv::countNonZero(like.rowRange(first, last)) == 0) continue;
    const int top = std::max(0, first - 1);
    cv::Mat band(std::min(labels.rows, last + 1) - top, labels.cols, CV_32FC3);
    for (int y = 0; y < band.rows; ++y) difference.row(top + y, band.ptr<Vec3>(y));
    cv::blur(band, smooth, {3, 3});
    for (int y = first; y < last; ++y) {
      const auto* label = labels.ptr<int>(y);
      const auto* z = band.ptr<Vec3>(y - top);
      const auto* mean = smooth.ptr<Vec3>(y - top);
      const auto* inside = wide.ptr<std::uint8_t>(y);
      for (int x = 0; x < labels.cols; ++x) {
        if (label[x] == 0) continue;
        Gap& gap = gaps[static_cast<std::size_t>(label[x])];
        ++gap.area;
        gap.chi2 += static_cast<double>(z[x].dot(z[x]));
        if (inside[x] == 0) continue;
        ++gap.wide;
        gap.smooth_chi2 += 9.0 * static_cast<double>(mean[x].dot(mean[x]));
      }
    }
  }
  std::vector<char> open(gaps.size(), 0);
  for (std::size_t k = 1; k < gaps.size(); ++k) {
    const Gap& gap = gaps[k];
    const bool noise = gap.chi2 <= kGapChi2 * gap.area;
    const bool level = gap.smooth_chi2 <= kSmoothChi2 * gap.wide;
    open[k] = gap.area >= kLeastGap && noise && level ? 1 : 0;
  }
  return open;
}

// What does not stand out before a coloured backdrop is the backdrop, lit or in shadow: a dark
// cavity would stand out by its lack of colour.
void open_shadows(const cv::Mat& out, const BlockLook& look, const cv::Rect& box, cv::Mat& region) {
  cv::Mat shadow = cv::Mat::zeros(box.size(), CV_8U);
  for (int y = 0; y < box.height; ++y) {
    const auto* lab = look.backdrop_lab.ptr<Vec3>((box.y + y) / look.side);
    const auto* on = region.ptr<std::uint8_t>(y);
    const auto* stands = out.ptr<std::uint8_t>(box.y + y) + box.x;
    auto* to = shadow.ptr<std::uint8_t>(y);
    for (int x = 0; x < box.width; ++x) {
      if (on[x] == 0 || stands[x] != 0) continue;
      const Vec3& behind = lab[(box.x + x) / look.side];
      to[x] = std::hypot(behind[1], behind[2]) >= kColoured ? 255 : 0;
    }
  }
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  cv::connectedComponentsWithStats(shadow, labels, stats, centroids, 4, CV_32S);
  for (int y = 0; y < box.height; ++y) {
    for (int x = 0; x < box.width; ++x) {
      const int label = labels.at<int>(y, x);
      if (label != 0 && stats.at<int>(label, cv::CC_STAT_AREA) >= kLeastShadow) {
        region.at<std::uint8_t>(y, x) = 0;
      }
    }
  }
}

void fill_holes(cv::Mat& region) {
  std::vector<std::vector<cv::Point>> outlines;
  cv::findContours(region, outlines, cv::RETR_EXTERNAL, cv::CHAIN_APPROX_NONE);
  cv::drawContours(region, outlines, -1, cv::Scalar(255), cv::FILLED);
}

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

void open_gaps(const cv::Mat& image, const cv::Mat& out, const cv::Rect& box, const BlockLook& look,
               const SurveyResult& survey, bool keep_holes, cv::Mat& hard) {
  if (box.empty()) return;
  const PixelBackdrop backdrop(look, survey);
  const Difference difference(image, box, hard, backdrop, look);
  const cv::Mat like = difference.like();
  cv::Mat labels;
  const int count = cv::connectedComponents(like, labels, 4, CV_32S);
  const std::vector<char> open = judge_gaps(difference, like, labels, count);
  cv::Mat region = hard(box);
  for (int y = 0; y < box.height; ++y) {
    const auto* label = labels.ptr<int>(y);
    auto* kept = region.ptr<std::uint8_t>(y);
    for (int x = 0; x < box.width; ++x) {
      if (open[static_cast<std::size_t>(label[x])] != 0) kept[x] = 0;
    }
  }
  // Averaging over 3 x 3 has carried the specimen's contrast a pixel outwards.
  cv::Mat safe;
  cv::erode(region, safe, cv::getStructuringElement(cv::MORPH_RECT, {5, 5}), cv::Point(-1, -1), 1,
            cv::BORDER_CONSTANT, cv::Scalar(255));
  region.setTo(0, like & ~safe);
  open_shadows(out, look, box, region);
  if (!keep_holes) fill_holes(region);
}

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

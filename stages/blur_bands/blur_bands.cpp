#include "stages/blur_bands/blur_bands.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "core/error.h"
#include "core/reduction.h"
#include "stages/blur_bands/pockets.h"

namespace trunnion::blur_bands {
namespace {

constexpr double kFinePx = 1.0;        // high-pass: what this blur takes away
constexpr double kWindowPx = 1.5;      // bands near the outline are only a few pixels wide
constexpr double kCoarseFromPx = 2.0;  // band-pass of the coarser structure
constexpr double kCoarseToPx = 5.0;
constexpr double kCoarseWindowPx = 3.0;
constexpr double kMinSignal = 6.0;  // median amplitude over noise: less says nothing about pixels
// Median of fine over coarse: 0.64 to 1.7 on demo images that are sharp at their pixels, banded
// ones among them, 0.09 to 0.39 where they were enlarged 2 to 9 times.
constexpr double kMinFineness = 0.5;
// Of the specimen, root of its area: from 320 to 400 px one sharp demo image in twelve was flagged.
constexpr double kMaxSidePx = 300;
constexpr double kJudgedSignal = 3.0;  // expected amplitude over noise where a place is judged
constexpr double kClipped = 0.985;     // of full scale
constexpr int kMaxScale = 16;
constexpr int kMinSide = 64;
constexpr int kMinPatch = 20;    // pixels; fewer are within the window of one accident
constexpr int kOutlinePx = 1;    // mixed with the backdrop
constexpr int kBackdropPx = 15;  // so far from the specimen that only noise is left
constexpr int kJoinPx = 4;       // gaps that hairs cut into a band

cv::Mat disc(int radius) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
}

double quantile(std::vector<float> values, double part) {
  if (values.empty()) return 0;
  const auto at =
      values.begin() + static_cast<std::ptrdiff_t>(part * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), at, values.end());
  return static_cast<double>(*at);
}

std::vector<float> values_in(const cv::Mat& image, const cv::Mat& mask) {
  std::vector<float> values;
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 0; x < image.cols; ++x) {
      if (mask.at<uchar>(y, x) != 0) values.push_back(image.at<float>(y, x));
    }
  }
  return values;
}

// Mean over a Gaussian window of what lies inside `weight` (0 or 1).
cv::Mat inside_mean(const cv::Mat& values, const cv::Mat& weight, double sigma) {
  cv::Mat sum;
  cv::Mat share;
  cv::GaussianBlur(values.mul(weight), sum, {}, sigma);
  cv::GaussianBlur(weight, share, {}, sigma);
  return sum / (share + 1e-6);
}

struct Level {
  cv::Mat value;      // square root of the brightness
  cv::Mat specimen;   // 255 well inside the mask
  cv::Mat amplitude;  // A
  cv::Mat coarse;     // B
  cv::Mat local;      // mean value around
  double noise = 0;
  double median = 0;    // of A
  double fineness = 0;  // f
  std::size_t pixels = 0;
};

cv::Mat without_noise(const cv::Mat& amplitude, double noise) {
  cv::Mat result;
  cv::sqrt(cv::max(amplitude.mul(amplitude) - noise * noise, 0.0), result);
  return result;
}

// Median of the high-pass far from the specimen, as a mean of its magnitude; what stands still in
// the backdrop is smooth, its few edges don't move the median.
double backdrop_noise(const cv::Mat& value, const cv::Mat& mask) {
  cv::Mat near;
  cv::dilate(mask, near, disc(kBackdropPx));
  cv::Mat smooth;
  cv::GaussianBlur(value, smooth, {}, kFinePx);
  const cv::Mat high = cv::abs(value - smooth);
  // Of a normal distribution the mean magnitude is 1.183 times its median.
  return 1.183 * quantile(values_in(high, near == 0), 0.5);
}

// `specimen`: the mask without its outline. Beyond the frame lies no backdrop: the image's own edge
// is no outline.
Level level_of(const cv::Mat& bright, const cv::Mat& mask, const cv::Mat& specimen) {
  Level level;
  cv::Mat whole;
  cv::sqrt(cv::max(bright, 0.0), whole);
  level.noise = backdrop_noise(whole, mask);
  level.value = whole;
  level.specimen = specimen;
  cv::Mat weight;
  specimen.convertTo(weight, CV_32F, 1.0 / 255.0);
  const cv::Mat high = cv::abs(whole - inside_mean(whole, weight, kFinePx));
  level.amplitude = inside_mean(high, weight, kWindowPx);
  level.local = cv::max(inside_mean(whole, weight, kWindowPx), 1e-3);
  const cv::Mat coarse =
      cv::abs(inside_mean(whole, weight, kCoarseFromPx) - inside_mean(whole, weight, kCoarseToPx));
  level.coarse = cv::max(inside_mean(coarse, weight, kCoarseWindowPx), 1e-6);
  const std::vector<float> amplitudes = values_in(level.amplitude, specimen);
  level.pixels = amplitudes.size();
  level.median = quantile(amplitudes, 0.5);
  // The specimen's smoothest places bound the noise, should the backdrop be noisier.
  level.noise = std::min(level.noise, quantile(amplitudes, 0.001));
  level.amplitude = without_noise(level.amplitude, level.noise);
  level.fineness = quantile(values_in(level.amplitude / level.coarse, specimen), 0.5);
  return level;
}

struct Judged {
  cv::Mat blurred;   // 255: judged and blurred
  cv::Mat contrast;  // q over its median
  std::size_t count = 0;
};

Judged judge(const Level& level, const BlurBandSettings& settings) {
  Judged judged;
  judged.contrast = level.amplitude / level.local;
  judged.blurred = cv::Mat::zeros(level.value.size(), CV_8U);
  const double typical = quantile(values_in(judged.contrast, level.specimen), 0.5);
  if (typical <= 0 || level.fineness <= 0) return judged;
  judged.contrast /= typical;
  cv::Mat unsure;
  cv::dilate(level.value > std::sqrt(kClipped), unsure, disc(kOutlinePx));
  const double needed = kJudgedSignal * level.noise;
  unsure |= (level.local < needed / typical) | (level.coarse < needed / level.fineness);
  const cv::Mat certain = level.specimen & ~unsure;
  judged.count = static_cast<std::size_t>(cv::countNonZero(certain));
  judged.blurred = certain & (judged.contrast < settings.max_relative_contrast) &
                   (level.amplitude / level.coarse < settings.max_fineness * level.fineness);
  return judged;
}

void drop_small(cv::Mat& patches, int min_pixels) {
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centres;
  const int count = cv::connectedComponentsWithStats(patches, labels, stats, centres);
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      const int label = labels.at<int>(y, x);
      if (label > 0 && label < count && stats.at<int>(label, cv::CC_STAT_AREA) < min_pixels) {
        patches.at<uchar>(y, x) = 0;
      }
    }
  }
}

// Patches that belong together become one band.
std::vector<BlurBand> bands_of(const Judged& judged, std::size_t pixels, const cv::Rect& crop,
                               int scale) {
  cv::Mat joined;
  cv::morphologyEx(judged.blurred, joined, cv::MORPH_CLOSE, disc(kJoinPx));
  cv::Mat labels;
  const int count = cv::connectedComponents(joined, labels);
  std::vector<BlurBand> bands;
  for (int label = 1; label < count; ++label) {
    const cv::Mat own = (labels == label) & judged.blurred;
    const int area = cv::countNonZero(own);
    if (area == 0) continue;
    BlurBand band;
    const cv::Rect box = cv::boundingRect(own);
    band.box_px = {(crop.x + box.x) * scale, (crop.y + box.y) * scale, box.width * scale,
                   box.height * scale};
    band.area_percent = 100.0 * area / static_cast<double>(pixels);
    band.relative_contrast = cv::mean(judged.contrast, own)[0];
    bands.push_back(band);
  }
  std::stable_sort(bands.begin(), bands.end(), [](const BlurBand& a, const BlurBand& b) {
    return a.area_percent > b.area_percent;
  });
  return bands;
}

// A margin of backdrop for the noise, and no more work than the specimen is large.
cv::Rect with_margin(const cv::Rect& box, const cv::Size& size) {
  if (box.empty()) return {};
  constexpr int kMargin = 4 * kBackdropPx;
  return cv::Rect(box.x - kMargin, box.y - kMargin, box.width + 2 * kMargin,
                  box.height + 2 * kMargin) &
         cv::Rect({0, 0}, size);
}

void find_at(const Level& level, const cv::Mat& image, const cv::Mat& backdrop,
             const cv::Rect& crop, const BlurBandSettings& settings, BlurBandResult& result) {
  Judged judged = judge(level, settings);
  const auto pixels = static_cast<double>(level.pixels);
  const int fewest =
      std::max(kMinPatch, static_cast<int>(pixels * settings.min_patch_percent / 100.0));
  drop_small(judged.blurred, fewest);
  if (!backdrop.empty() && cv::countNonZero(judged.blurred) > 0) {
    const cv::Size size = result.blurred.size();
    drop_pockets(judged.blurred, image(cv::Rect({0, 0}, size * result.scale)), backdrop, size,
                 crop);
    drop_small(judged.blurred, fewest);
  }
  result.judged_percent = 100.0 * static_cast<double>(judged.count) / pixels;
  result.area_percent = 100.0 * cv::countNonZero(judged.blurred) / pixels;
  if (result.area_percent < settings.min_area_percent) return;
  result.bands = bands_of(judged, level.pixels, crop, result.scale);
  judged.blurred.copyTo(result.blurred(crop));
}

}  // namespace

BlurBandResult find_blur_bands(const cv::Mat& image, const cv::Mat& mask, const cv::Mat& backdrop,
                               const BlurBandSettings& settings) {
  const bool depth = image.depth() == CV_8U || image.depth() == CV_16U;
  if (!depth || image.channels() == 2 || image.channels() > 4 || mask.type() != CV_8UC1 ||
      mask.size() != image.size()) {
    throw data_error(
        "Blur bands need an image of 8 or 16 bit, 1, 3 or 4 channels, and a mask of its size.");
  }
  BlurBandResult result;
  cv::Mat inside = mask > 127;
  for (;; result.scale *= 2) {
    const cv::Size size = inside.size();
    result.blurred = cv::Mat::zeros(size, CV_8U);
    const cv::Rect crop = with_margin(cv::boundingRect(inside), size);
    if (crop.empty()) return result;
    cv::Mat specimen;
    cv::erode(inside(crop), specimen, disc(kOutlinePx));
    const int pixels = cv::countNonZero(specimen);
    if (pixels == 0) return result;
    if (pixels <= kMaxSidePx * kMaxSidePx) {
      const cv::Rect place(crop.tl() * result.scale, crop.size() * result.scale);
      const Level level =
          level_of(block_brightness(image(place), result.scale), inside(crop), specimen);
      if (level.median >= kMinSignal * level.noise && level.fineness >= kMinFineness) {
        find_at(level, image, backdrop, crop, settings, result);
        return result;
      }
    }
    if (result.scale * 2 > kMaxScale || std::min(size.height, size.width) < 2 * kMinSide) {
      return result;
    }
    inside = halved_inside(inside);
  }
}

Findings blur_band_findings(const BlurBandResult& result, const std::string& file) {
  if (result.bands.empty()) return {};
  const cv::Rect& box = result.bands.front().box_px;
  Finding finding;
  finding.severity = Severity::doubt;
  finding.stage = "blur bands";
  finding.file = file;
  finding.what = fmt::format(
      "{:.1f} % of the specimen lacks the fine structure of the rest, most around x {} to {}, y {} "
      "to {} px.",
      result.area_percent, box.x, box.x + box.width, box.y, box.y + box.height);
  finding.remedy =
      "Check that part: a band of blur means that slices are missing at that depth; capture or "
      "fuse the series again. A part without texture looks the same and is no fault.";
  return {finding};
}

}  // namespace trunnion::blur_bands

#include "stages/survey/backdrop.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

#include "core/contrast.h"
#include "core/median.h"
#include "stages/survey/enclosed.h"
#include "stages/survey/surface.h"
#include "stages/survey/visibility.h"

namespace trunnion::survey {
namespace {

using Pixel16 = cv::Vec<std::uint16_t, 3>;

constexpr double kEdgeShare = 0.05;      // width of the frame's edge that is measured for exposure
constexpr double kMeasurable = 0.10;     // darker backdrops don't show exposure
constexpr double kEdgeMeasurable = 0.3;  // of the edge must be brighter to count
constexpr double kFlicker = 0.012;       // of the level: lamps from shot to shot, 1 sigma
constexpr double kStillSigmas = 2.5;     // median absolute deviation of what stays still, at most
constexpr float kAgree = 7.0F;  // contrast up to which a station may confirm a continuation
// Two steps of 8 bits where L* is linear: 903.3 / 12.92 / 255 (CIE 15, IEC 61966-2-1).
constexpr float kLeastAgree = 0.55F;
constexpr float kAgreeScatter = 1.6F;  // times kErrorRank of the stations' scatter, within which it
                                       // does: 4.5 sigmas where that is noise alone
constexpr double kSmoothSigmas = 3.0;  // of the noise, that averaging takes for equal
constexpr double kErrorRank = 0.95;    // of the errors of a continuation: allowed for as well
constexpr double kGapShare = 0.08;     // of the image: gaps over which continuation is tested
constexpr float kSureShare = 0.5F;     // of the stations: enough to continue from
constexpr int kSmoothPx = 7;           // blocks over which the backdrop is averaged
constexpr double kRimShare = 0.01;     // of the image: rim of the still region that isn't trusted

cv::Mat median_of_stack(const std::vector<SurveyFrame>& frames, cv::Mat& spread) {
  const cv::Size size = frames.front().mean.size();
  cv::Mat median(size, CV_32FC3);
  spread.create(size, CV_32FC1);
  tbb::parallel_for(0, size.height, [&](int y) {
    std::vector<float> values(frames.size());
    auto* out = median.ptr<cv::Vec3f>(y);
    auto* wide = spread.ptr<float>(y);
    for (int x = 0; x < size.width; ++x) {
      wide[x] = 0;
      for (int c = 0; c < 3; ++c) {
        for (std::size_t k = 0; k < frames.size(); ++k) {
          values[k] =
              frames[k].mean.ptr<Pixel16>(y)[x][c] * frames[k].gain[static_cast<std::size_t>(c)];
        }
        const float middle = median_in_place(values);
        for (float& value : values) value = std::abs(value - middle);
        wide[x] = std::max(wide[x], median_in_place(values));
        out[x][c] = middle;
      }
    }
  });
  return median;
}

// The error of a continuation over `known`: squares of the size of the gap are taken out of it one
// lattice at a time, continued over, and compared with what is known there; rank kErrRank of the
// distances in L*a*b*.
float continuation_error(const cv::Mat& value, const cv::Mat& known) {
  const int gap = std::max(4, static_cast<int>(kGapShare * std::max(value.cols, value.rows)));
  cv::Mat kept = known.clone();
  for (int y = gap / 2; y < known.rows; y += 3 * gap) {
    for (int x = gap / 2; x < known.cols; x += 3 * gap) {
      kept(cv::Rect(x, y, gap, gap) & cv::Rect({0, 0}, known.size())).setTo(0);
    }
  }
  const cv::Mat tested = known & ~kept;
  cv::Mat smooth;
  cv::blur(value, smooth, {5, 5});  // the noise of single pixels is no error of the continuation
  const cv::Mat truth = to_lab(smooth, 65535.0);
  const cv::Mat guess = to_lab(continue_smoothly(value, kept), 65535.0);
  std::vector<float> errors;
  for (int y = 0; y < known.rows; ++y) {
    for (int x = 0; x < known.cols; ++x) {
      if (tested.at<std::uint8_t>(y, x) == 0) continue;
      errors.push_back(
          static_cast<float>(cv::norm(truth.at<cv::Vec3f>(y, x) - guess.at<cv::Vec3f>(y, x))));
    }
  }
  if (errors.size() < 200) return kAgree;
  const auto rank = static_cast<std::ptrdiff_t>(kErrorRank * static_cast<double>(errors.size()));
  std::nth_element(errors.begin(), errors.begin() + rank, errors.end());
  return errors[static_cast<std::size_t>(rank)];
}

}  // namespace

void equalise_exposure(std::vector<SurveyFrame>& frames) {
  const cv::Size size = frames.front().mean.size();
  const int band = std::max(1, static_cast<int>(kEdgeShare * std::min(size.width, size.height)));
  std::vector<float> values(frames.size());
  std::vector<std::array<std::vector<float>, 3>> ratios(frames.size());
  std::size_t looked_at = 0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const bool edge = x < band || y < band || x >= size.width - band || y >= size.height - band;
      if (!edge) continue;
      ++looked_at;
      for (std::size_t c = 0; c < 3; ++c) {
        for (std::size_t k = 0; k < frames.size(); ++k) {
          values[k] = frames[k].mean.ptr<Pixel16>(y)[x][static_cast<int>(c)];
        }
        std::vector<float> sorted = values;
        const float middle = median_in_place(sorted);
        if (middle < kMeasurable * 65535.0) continue;
        for (std::size_t k = 0; k < frames.size(); ++k) {
          ratios[k][c].push_back(values[k] / middle);
        }
      }
    }
  }
  for (std::size_t k = 0; k < frames.size(); ++k) {
    frames[k].gain.fill(1);
    for (std::size_t c = 0; c < 3; ++c) {
      // A pin that enters from the edge must not speak for a backdrop too dark to.
      if (static_cast<double>(ratios[k][c].size()) <
          std::max(50.0, kEdgeMeasurable * static_cast<double>(looked_at))) {
        continue;
      }
      frames[k].gain[c] = 1.0F / std::clamp(median_in_place(ratios[k][c]), 0.25F, 4.0F);
    }
  }
}

namespace {

// Where the stations scatter about their median no more than the noise and the lamps do.
cv::Mat within_noise(const cv::Mat& median, const cv::Mat& spread, const BlockNoise& noise) {
  cv::Mat still(median.size(), CV_8U);
  for (int y = 0; y < still.rows; ++y) {
    for (int x = 0; x < still.cols; ++x) {
      const cv::Vec3f& value = median.ptr<cv::Vec3f>(y)[x];
      const double level = std::max({value[0], value[1], value[2]});
      const double sigma =
          std::sqrt(noise.at_zero + noise.per_level * level + kFlicker * kFlicker * level * level);
      still.at<std::uint8_t>(y, x) = spread.at<float>(y, x) <= kStillSigmas * sigma ? 255 : 0;
    }
  }
  return still;
}

// Averages over a neighbourhood what differs by no more than the noise (the sigma filter of
// J.-S. Lee, "Digital image smoothing and the sigma filter", CVGIP 24(2), 1983): the backdrop's own
// structure stays.
cv::Mat without_noise(const cv::Mat& value, const BlockNoise& noise) {
  const cv::Scalar mean = cv::mean(value);
  const double level = (mean[0] + mean[1] + mean[2]) / 3.0;
  const double sigma = std::sqrt(3.0 * (noise.at_zero + noise.per_level * level));
  // OpenCV's table of weights spans the values of what it is given and no more: each strip is given
  // the rows about it as its own, as looked at from its edge they would lie beyond the table.
  constexpr int kStrip = 64;
  constexpr int kHalo = kSmoothPx / 2;
  cv::Mat smooth(value.size(), value.type());
  tbb::parallel_for(0, (value.rows + kStrip - 1) / kStrip, [&](int k) {
    const cv::Range rows(k * kStrip, std::min(value.rows, (k + 1) * kStrip));
    const cv::Range with_halo(std::max(0, rows.start - kHalo),
                              std::min(value.rows, rows.end + kHalo));
    cv::Mat out;
    cv::bilateralFilter(value.rowRange(with_halo), out, kSmoothPx, kSmoothSigmas * sigma, kSmoothPx,
                        cv::BORDER_DEFAULT | cv::BORDER_ISOLATED);
    out.rowRange(rows.start - with_halo.start, rows.end - with_halo.start)
        .copyTo(smooth.rowRange(rows));
  });
  return smooth;
}

}  // namespace

StackBackdrop estimate_backdrop(const std::vector<SurveyFrame>& frames, const BlockNoise& noise,
                                const cv::Mat& spotted) {
  cv::Mat spread;
  cv::Mat value = median_of_stack(frames, spread);
  cv::Mat still = within_noise(value, spread, noise);
  const EnclosedParts enclosed = enclosed_parts(value, still);
  still = joined_to_edge(still & ~enclosed.specimen);
  // The rim of the still region is where the specimen passes now and then; do not continue from it.
  const int rim = std::max(1, static_cast<int>(kRimShare * std::max(still.cols, still.rows)));
  const cv::Mat element = cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * rim + 1, 2 * rim + 1});
  const auto core_of = [&](const cv::Mat& region) {
    cv::Mat core;
    cv::erode(region, core, element, cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(255));
    return core;
  };
  const auto stations = static_cast<float>(frames.size());
  const float needed = std::max(1.0F, std::min(2.0F, std::floor(stations / 4.0F)));
  // A station agrees where it is as near to the continuation as the stations repeat each other and
  // the continuation's own error allow: with a smooth backdrop that separates it from a dark part
  // of the specimen. One just noticeable difference would be 6 sigmas in front of black.
  const cv::Mat core = core_of(still) & ~spotted;
  const float error = 2.0F * continuation_error(value, core);
  cv::Vec3f tolerance = scatter_over_stations(frames, value, core, kErrorRank);
  for (int c = 0; c < 3; ++c) {
    tolerance[c] = std::clamp(kAgreeScatter * tolerance[c] + error, kLeastAgree, kAgree);
  }
  cv::Mat seen = still.clone();
  cv::Mat sure = core.clone();
  cv::Mat count;
  // Two rounds and no more: with each the continuation could creep further up the specimen.
  for (int round = 0; round < 2; ++round) {
    const cv::Mat prediction = continue_smoothly(value, sure);
    const BackdropVisibility visible = visible_backdrop(frames, prediction, tolerance);
    count = visible.count;
    visible.mean.copyTo(value, (count >= needed) & ~core & ~spotted);
    seen = still | (count >= needed);
    sure = core | ((count >= kSureShare * stations) & ~spotted);
  }
  // Where few stations see the backdrop, their values and the continuation from where
  // many have are weighted alike with it.
  const cv::Mat prediction = continue_smoothly(value, sure);
  for (int y = 0; y < value.rows; ++y) {
    for (int x = 0; x < value.cols; ++x) {
      if (sure.at<std::uint8_t>(y, x) != 0) continue;
      const float n = seen.at<std::uint8_t>(y, x) != 0 && spotted.at<std::uint8_t>(y, x) == 0
                          ? count.at<float>(y, x)
                          : 0.0F;
      const float share = n / (n + 0.5F * kSureShare * stations);
      auto& at = value.at<cv::Vec3f>(y, x);
      at = share * at + (1.0F - share) * prediction.at<cv::Vec3f>(y, x);
    }
  }
  value = without_noise(value, noise);
  count.setTo(stations, still);
  return {value, seen, count, enclosed.doubtful};
}

std::vector<cv::Mat> frame_contrasts(const std::vector<SurveyFrame>& frames,
                                     const cv::Mat& backdrop, bool single_pixels) {
  const cv::Mat backdrop_lab = to_lab(backdrop, 65535.0);
  std::vector<cv::Mat> contrasts(frames.size());
  tbb::parallel_for(std::size_t{0}, frames.size(), [&](std::size_t k) {
    cv::Mat value = equalised(frames[k]);
    // Blocks of one pixel are averaged as the mask stage averages pixels.
    if (single_pixels) cv::blur(value, value, {3, 3});
    contrasts[k] = contrast(to_lab(value, 65535.0), backdrop_lab);
  });
  return contrasts;
}

}  // namespace trunnion::survey

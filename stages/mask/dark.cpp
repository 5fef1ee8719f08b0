#include "stages/mask/dark.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "core/runs.h"
#include "core/vector_code.h"
#include "stages/mask/noise_difference.h"

namespace trunnion::mask {
namespace {

constexpr float kDark = 0.15F;        // of full scale: brighter backdrops show dark parts clearly
constexpr float kSurely = 8.0F;       // sigmas darker
constexpr float kPerhaps = 4.0F;      // sigmas off either way, next to what surely is
constexpr float kKnown = 1.5F;        // sigmas by which the clear may scatter
constexpr int kLeastArea = 5;         // px of what surely is darker
constexpr int kGreatestOpening = 60;  // px of an opening that is filled next to it
constexpr int kBroadArea = 20;        // px from which a dark part may hold doubtful pixels together
constexpr int kReach = 4;             // px from it to doubtful pixels
constexpr double kMostSamples = 4e5;  // enough for a median
constexpr std::size_t kEnough = 400;  // clear pixels needed to estimate the scatter

TRUNNION_VECTOR_CODE
void add_channels(const float* __restrict z, std::size_t count, float* __restrict sum) {
  for (std::size_t x = 0; x < count; ++x) sum[x] = z[3 * x] + z[3 * x + 1] + z[3 * x + 2];
}

TRUNNION_VECTOR_CODE
void add_three(const float* __restrict a, const float* __restrict b, const float* __restrict c,
               std::size_t count, float* __restrict sum) {
  for (std::size_t x = 0; x < count; ++x) sum[x] = a[x] + b[x] + c[x];
}

TRUNNION_VECTOR_CODE
void add_neighbours(const float* __restrict column, float scale, std::size_t count,
                    float* __restrict sum) {
  for (std::size_t x = 1; x + 1 < count; ++x) {
    sum[x] = (column[x - 1] + column[x] + column[x + 1]) * scale;
  }
}

// Sum over the channels of the difference from the backdrop over the noise, mean of 3 x 3, in its
// own sigmas if noise were all, a row at a time; 0 where the backdrop is not dark.
class SummedDifference {
 public:
  SummedDifference(const cv::Mat& image, const cv::Rect& box, const BlockContrast& blocks,
                   const SurveyResult& survey)
      : rows_(box.height),
        count_(static_cast<std::size_t>(box.width)),
        scale_((image.channels() == 1 ? 1.0F : std::sqrt(3.0F)) / 9.0F),
        difference_(image, box, blocks, survey),
        dark_(dark_pixels(box, blocks, survey)),
        z_(3 * count_),
        column_(count_) {
    for (std::vector<float>& sum : sums_) sum.resize(count_);
  }
  void row(int y, float* to) {
    const float* here = sums_[summed(y)].data();
    const float* above = sums_[summed(y > 0 ? y - 1 : std::min(1, rows_ - 1))].data();
    const float* below = sums_[summed(y + 1 < rows_ ? y + 1 : std::max(0, y - 1))].data();
    add_three(above, here, below, count_, column_.data());
    add_neighbours(column_.data(), scale_, count_, to);
    const std::size_t last = count_ - 1;
    // As if mirrored at the edge.
    const std::size_t second = std::min<std::size_t>(1, last);
    to[0] = (column_[0] + 2.0F * column_[second]) * scale_;
    to[last] = (column_[last] + 2.0F * column_[last - second]) * scale_;
  }

 private:
  // By pixels of the box, 1 where the backdrop is dark, else 0; empty where it is throughout.
  static cv::Mat dark_pixels(const cv::Rect& box, const BlockContrast& blocks,
                             const SurveyResult& survey) {
    std::vector<cv::Mat> channels;
    cv::split(blocks.backdrop, channels);
    const cv::Mat dark =
        (channels[0] + channels[1] + channels[2]) <= 3.0 * kDark * survey.full_scale;
    if (cv::countNonZero(dark) == static_cast<int>(dark.total())) return {};
    cv::Mat pixels;
    cv::resize(dark, pixels, dark.size() * blocks.side, 0, 0, cv::INTER_NEAREST);
    return pixels(box).clone();
  }
  // Where the sums of row `y` are.
  std::size_t summed(int y) {
    const auto slot = static_cast<std::size_t>(y % 3);
    if (which_[slot] == y) return slot;
    which_[slot] = y;
    std::vector<float>& sum = sums_[slot];
    difference_.row(y, 0, static_cast<int>(count_), z_.data());
    add_channels(z_.data(), count_, sum.data());
    if (!dark_.empty()) {
      const auto* dark = dark_.ptr<std::uint8_t>(y);
      for (std::size_t x = 0; x < count_; ++x) sum[x] = dark[x] != 0 ? sum[x] : 0.0F;
    }
    return slot;
  }

  int rows_;
  std::size_t count_;
  float scale_;
  NoiseDifference difference_;
  cv::Mat dark_;
  std::vector<float> z_;
  std::vector<float> column_;
  std::array<std::vector<float>, 3> sums_;
  std::array<int, 3> which_ = {-1, -1, -1};
};

struct Scatter {
  float middle = 0;
  float sigma = 1;
};

// What the difference is in the clear; nothing where too little is clear or the backdrop is not
// known to within its noise: folds of a cloth are darker than it, too.
std::optional<Scatter> scatter_in_the_clear(SummedDifference& difference, const cv::Mat& region) {
  cv::Mat near;
  cv::dilate(region, near, cv::Mat::ones(9, 9, CV_8U));
  std::vector<float> clear;
  std::vector<float> away(static_cast<std::size_t>(region.cols));
  const int step =
      1 + static_cast<int>(std::sqrt(static_cast<double>(region.total()) / kMostSamples));
  for (int y = 0; y < region.rows; y += step) {
    difference.row(y, away.data());
    for (int x = 0; x < region.cols; x += step) {
      if (near.at<std::uint8_t>(y, x) == 0) clear.push_back(away[static_cast<std::size_t>(x)]);
    }
  }
  if (clear.size() < kEnough) return std::nullopt;
  const auto median = [&clear] {
    const auto at = clear.begin() + static_cast<std::ptrdiff_t>(clear.size() / 2);
    std::nth_element(clear.begin(), at, clear.end());
    return *at;
  };
  const float middle = median();
  for (float& value : clear) value = std::abs(value - middle);
  const float scatter = 1.4826F * median();
  if (scatter > kKnown) return std::nullopt;
  return Scatter{middle, std::max(1.0F, scatter)};
}

TRUNNION_VECTOR_CODE
void mark(const float* __restrict away, Scatter scatter, std::size_t count,
          std::uint8_t* __restrict darker, std::uint8_t* __restrict doubtful) {
  const float lower = scatter.middle - kSurely * scatter.sigma;
  const float reach = kPerhaps * scatter.sigma;
  for (std::size_t x = 0; x < count; ++x) {
    darker[x] = away[x] < lower ? 255 : 0;
    doubtful[x] = std::abs(away[x] - scatter.middle) > reach ? 255 : 0;
  }
}

cv::Mat disc(int radius) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
}

// Does a pixel of `region` lie within `reach` of the run? `reach`: a disc as structuring element.
bool touches(const Run& run, const cv::Mat& region, const cv::Mat& reach) {
  const int radius = reach.rows / 2;
  for (int v = -radius; v <= radius; ++v) {
    if (run.y + v < 0 || run.y + v >= region.rows) continue;
    const int half = cv::countNonZero(reach.row(v + radius)) / 2;
    const int begin = std::max(0, run.begin - half);
    const int end = std::min(region.cols, run.end + half);
    const auto* row = region.ptr<std::uint8_t>(run.y + v);
    if (std::any_of(row + begin, row + end, [](std::uint8_t on) { return on != 0; })) return true;
  }
  return false;
}

// The regions of `parts` that have `least` pixels and touch `region`.
cv::Mat joined(const cv::Mat& parts, const cv::Mat& region, int least) {
  const Regions regions = regions_of(parts, Neighbours::eight);
  const cv::Mat reach = disc(2);
  std::vector<char> kept(regions.areas.size(), 0);
  for (const Run& run : regions.runs) {
    if (kept[run.region] != 0 || regions.areas[run.region] < least) continue;
    kept[run.region] = touches(run, region, reach) ? 1 : 0;
  }
  cv::Mat result = cv::Mat::zeros(parts.size(), CV_8U);
  paint(regions, kept, 255, result);
  return result;
}

// Small openings of `region`: where a dark part passes through the backdrop's level.
cv::Mat enclosed(const cv::Mat& region) {
  const Regions regions = regions_of(~region, Neighbours::four);
  std::vector<char> small;
  for (const int area : regions.areas) small.push_back(area <= kGreatestOpening ? 1 : 0);
  cv::Mat result = cv::Mat::zeros(region.size(), CV_8U);
  paint(regions, small, 255, result);
  return result;
}

}  // namespace

void join_dark_parts(const cv::Mat& image, const cv::Rect& box, const BlockContrast& blocks,
                     const SurveyResult& survey, cv::Mat& binary_mask) {
  if (box.empty() || cv::mean(blocks.backdrop)[1] > 2.0 * kDark * survey.full_scale) return;
  cv::Mat region = binary_mask(box);
  SummedDifference difference(image, box, blocks, survey);
  const std::optional<Scatter> scatter = scatter_in_the_clear(difference, region);
  if (!scatter) return;
  cv::Mat darker(box.size(), CV_8U);
  cv::Mat doubtful(box.size(), CV_8U);
  std::vector<float> away(static_cast<std::size_t>(box.width));
  for (int y = 0; y < box.height; ++y) {
    difference.row(y, away.data());
    mark(away.data(), *scatter, away.size(), darker.ptr(y), doubtful.ptr(y));
  }
  darker = joined(darker, region, kLeastArea);
  // What is enclosed and within reach lies within this.
  constexpr int kAround = kReach + kGreatestOpening + 4;
  const cv::Rect dark = cv::boundingRect(darker);
  if (dark.empty()) return;
  const cv::Rect part = (dark - cv::Point(kAround, kAround) + cv::Size(2 * kAround, 2 * kAround)) &
                        cv::Rect({0, 0}, box.size());
  darker = darker(part);
  region = region(part);
  region |= darker;
  const cv::Mat broad = joined(darker, region, kBroadArea);
  cv::Mat around;
  cv::dilate(broad, around, disc(kReach));
  cv::Mat whole = region | joined(doubtful(part) & around, broad, 1);
  cv::morphologyEx(whole, whole, cv::MORPH_CLOSE, disc(2));
  whole |= enclosed(whole);
  region |= whole & around;
}

}  // namespace trunnion::mask

#include "stages/survey/dust.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/angle.h"
#include "core/vector_code.h"
#include "stages/survey/search.h"

namespace trunnion::survey {
namespace {

constexpr int kFullSizePx = 2000;
constexpr double kActivityPx = 24;  // around a pixel within which texture counts against it
constexpr double kHotWindowPx = 64;
constexpr double kRoundness = 0.45;   // area over that of the circle on the longer axis
constexpr double kRoundEnough = 0.7;  // rounder spots are taken to be round
constexpr double kTrailTurn = 15.0;   // deg between a trail and the radius
constexpr double kSure = 2.0;         // times the significance of what need not be round

// Plain mean of all channels, which all show dust, over step x step px; alpha ignored.
template <typename T>
cv::Mat grey_of(const cv::Mat& image, int step) {
  const int channels = image.channels();
  const int used = channels == 1 ? 1 : 3;
  const float share = 1.0F / static_cast<float>(used * step * step);
  cv::Mat grey(image.rows / step, image.cols / step, CV_32FC1);
  for (int y = 0; y < grey.rows; ++y) {
    const T* above = image.ptr<T>(step * y);
    const T* below = image.ptr<T>(step * y + step - 1);
    auto* out = grey.ptr<float>(y);
    if (step == 1) {
      for (int x = 0; x < grey.cols; ++x, above += channels) {
        const int sum = used == 1 ? above[0] : above[0] + above[1] + above[2];
        out[x] = share * static_cast<float>(sum);
      }
      continue;
    }
    for (int x = 0; x < grey.cols; ++x, above += 2 * channels, below += 2 * channels) {
      int sum = 0;
      for (int c = 0; c < used; ++c) {
        sum += above[c] + above[c + channels] + below[c] + below[c + channels];
      }
      out[x] = share * static_cast<float>(sum);
    }
  }
  return grey;
}

cv::Mat grey_at(const cv::Mat& image, int step) {
  CV_Assert(step == 1 || step == 2);
  return image.depth() == CV_16U ? grey_of<std::uint16_t>(image, step)
                                 : grey_of<std::uint8_t>(image, step);
}

// Light of a row over what is around it, in its place, and its square where an edge nearby must not
// drown what is steady.
TRUNNION_VECTOR_CODE [[gnu::noinline]] void take_detail(const float* __restrict local,
                                                        std::size_t width,
                                                        float* __restrict grey_to_whole,
                                                        float* __restrict square) {
  for (std::size_t x = 0; x < width; ++x) {
    const float bound = 0.5F * local[x];
    const float difference = grey_to_whole[x] - local[x];
    const float below = difference < bound ? difference : bound;
    const float detail = below > -bound ? below : -bound;
    grey_to_whole[x] = difference;
    square[x] = detail * detail;
  }
}

using SightNoise = NoiseModelOf<float>;  // of a row's light, with what photographs repeat

TRUNNION_VECTOR_CODE [[gnu::noinline]] void add_detail(
    const float* __restrict whole, const float* __restrict local, const float* __restrict activity,
    SightNoise noise, std::size_t width, float* __restrict sum, float* __restrict total) {
  constexpr float kRepeated2 = 4e-6F;  // two thousandths of the level, from station to station
  for (std::size_t x = 0; x < width; ++x) {
    const float level = local[x];
    const float weight =
        1.0F / (activity[x] + noise.at_zero + noise.per_level * level + kRepeated2 * level * level);
    sum[x] += weight * whole[x];
    total[x] += weight;
  }
}

int odd(double size) {
  return 2 * static_cast<int>(std::lround(size / 2.0)) + 1;
}

// Images above 2000 px are searched at half size: a speck of 4 px still covers 2 x 2.
int dust_step(const cv::Size& image) {
  return std::max(image.width, image.height) > kFullSizePx ? 2 : 1;
}

}  // namespace

DustSearch::DustSearch(const cv::Size& image, const DustOptions& options)
    : options_(options), image_(image), step_(dust_step(image)) {
  const cv::Size size(image.width / step_, image.height / step_);
  detail_ = cv::Mat::zeros(size, CV_32FC1);
  weight_ = cv::Mat::zeros(size, CV_32FC1);
}

DustStatistics dust_statistics(const cv::Mat& image) {
  DustStatistics of_image;
  const int step = dust_step(image.size());
  of_image.whole = grey_at(image, step);
  of_image.full_scale = image.depth() == CV_16U ? 65535.0 : 255.0;
  of_image.averaged = (image.channels() == 1 ? 1.0 : 3.0) * step * step;
  of_image.log = quantised_log(of_image.whole, of_image.full_scale);
  const int window = odd(kHotWindowPx / step);
  cv::blur(of_image.whole, of_image.local, {window, window}, cv::Point(-1, -1),
           cv::BORDER_REFLECT_101);
  of_image.activity.create(of_image.whole.size(), CV_32FC1);
  for (int y = 0; y < of_image.whole.rows; ++y) {
    take_detail(of_image.local.ptr<float>(y), static_cast<std::size_t>(of_image.whole.cols),
                of_image.whole.ptr<float>(y), of_image.activity.ptr<float>(y));
  }
  const int around = odd(kActivityPx / step);
  cv::blur(of_image.activity, of_image.activity, {around, around});
  return of_image;
}

void DustSearch::add(std::size_t station, const DustStatistics& of_image, const NoiseModel& noise) {
  full_scale_ = of_image.full_scale;
  noise_ = {noise.at_zero / of_image.averaged / full_scale_ / full_scale_,
            noise.per_level / of_image.averaged / full_scale_};
  if (logs_.size() < options_.greatest_stations) logs_.emplace(station, of_image.log);
  const SightNoise row_noise{
      static_cast<float>(noise.at_zero / of_image.averaged + 1e-10 * full_scale_ * full_scale_),
      static_cast<float>(noise.per_level / of_image.averaged)};
  for (int y = 0; y < detail_.rows; ++y) {
    add_detail(of_image.whole.ptr<float>(y), of_image.local.ptr<float>(y),
               of_image.activity.ptr<float>(y), row_noise, static_cast<std::size_t>(detail_.cols),
               detail_.ptr<float>(y), weight_.ptr<float>(y));
  }
}

DustFound DustSearch::spots() const {
  DustFound result;
  std::vector<Spot>& found = result.spots;
  if (logs_.size() < 3) return result;
  SearchOptions search;
  search.least_depth = options_.least_contrast;
  search.least_diameter = options_.least_diameter_px / step_;
  search.greatest_diameter = options_.greatest_diameter_px / step_;
  search.significance = options_.significance;
  // A hot pixel on a dark backdrop also brightens it by a factor: it is reported once, as a hot
  // pixel.
  const std::vector<Spot> hot = hot_pixels();
  std::vector<cv::Point2d> defects;
  for (const Spot& spot : hot) {
    defects.emplace_back((spot.x_px - 0.5 * (step_ - 1)) / step_,
                         (spot.y_px - 0.5 * (step_ - 1)) / step_);
  }
  std::vector<Candidate> candidates;
  std::vector<cv::Mat> logs;
  logs.reserve(logs_.size());
  for (const auto& [station, log] : logs_) logs.push_back(log);
  const SearchResult searched = find_specks(logs, noise_, defects, search);
  result.doubtful = searched.doubtful;
  for (const FoundSpeck& speck : searched.specks) {
    if (const std::optional<Candidate> one = candidate_of(speck)) candidates.push_back(*one);
  }
  // Aligning a rail series smears all specks along the radius: a lone trail is something else that
  // stands still, a seam or the edge of a mount.
  const auto trails = std::count_if(candidates.begin(), candidates.end(),
                                    [](const Candidate& c) { return c.spot.trail; });
  const bool smeared = trails >= 3 && 3 * trails >= static_cast<std::ptrdiff_t>(candidates.size());
  for (Candidate& candidate : candidates) {
    if (!smeared && !candidate.speck) continue;
    candidate.spot.trail = candidate.spot.trail && smeared;
    found.push_back(candidate.spot);
  }
  found.insert(found.end(), hot.begin(), hot.end());
  return result;
}

// In pixels of the image, where it is round enough for a speck or lies as a trail would.
std::optional<DustSearch::Candidate> DustSearch::candidate_of(const FoundSpeck& found) const {
  const Speck& speck = found.speck;
  const double length = length_of(speck);
  const double area =
      kPi / 4.0 * speck.diameter * speck.diameter + 2.0 * speck.half_length * speck.diameter;
  const double roundness = area / (kPi / 4.0 * length * length);
  Spot spot;
  // Pixel i at 1/step covers pixels step i .. step i + step - 1.
  spot.x_px = speck.centre.x * step_ + 0.5 * (step_ - 1);
  spot.y_px = speck.centre.y * step_ + 0.5 * (step_ - 1);
  spot.diameter_px = std::sqrt(4.0 * area / kPi) * step_;
  spot.length_px = length * step_;
  spot.angle = speck.angle;
  spot.contrast = std::exp(-speck.depth) - 1.0;
  spot.patch_step = step_;
  spot.transmission = found.transmission;
  const bool elongated = roundness < kRoundEnough;
  const double radius =
      std::atan2(spot.y_px - 0.5 * (image_.height - 1), spot.x_px - 0.5 * (image_.width - 1));
  spot.trail = elongated && std::abs(std::sin(radius - spot.angle)) < std::sin(radians(kTrailTurn));
  const bool round =
      roundness >= kRoundness && (!elongated || speck.strength >= kSure * options_.significance);
  if (!round && !spot.trail) return std::nullopt;
  return Candidate{spot, round};
}

// Light added at every station to one pixel and nothing around it.
std::vector<Spot> DustSearch::hot_pixels() const {
  const int rows = std::max(0, detail_.rows - 4);
  std::vector<std::vector<Spot>> by_row(static_cast<std::size_t>(rows));
  tbb::parallel_for(0, rows,
                    [&](int k) { by_row[static_cast<std::size_t>(k)] = hot_pixels_of(k + 2); });
  std::vector<Spot> found;
  for (const std::vector<Spot>& some : by_row) found.insert(found.end(), some.begin(), some.end());
  return found;
}

std::vector<Spot> DustSearch::hot_pixels_of(int row) const {
  constexpr float kNone = 1e-30F;
  std::vector<Spot> found;
  const auto added = [&](int y, int x) {
    return detail_.at<float>(y, x) / (weight_.at<float>(y, x) + kNone);
  };
  const auto least = static_cast<float>(options_.least_hot * full_scale_ / (step_ * step_));
  const auto sure = static_cast<float>(options_.significance);
  const auto* sums = detail_.ptr<float>(row);
  const auto* weights = weight_.ptr<float>(row);
  for (int x = 2; x + 2 < detail_.cols; ++x) {
    if (sums[x] < least * (weights[x] + kNone)) continue;
    const float at = added(row, x);
    if (at < sure * std::sqrt(1.0F / (weights[x] + kNone))) continue;
    float around = 0;
    float next = 0;
    for (int v = -2; v <= 2; ++v) {
      for (int u = -2; u <= 2; ++u) {
        const float other = added(row + v, x + u);
        if (std::max(std::abs(u), std::abs(v)) == 2) around = std::max(around, std::abs(other));
        if (u != 0 || v != 0) next = std::max(next, other);
      }
    }
    if (next > at || around > 0.25F * at) continue;
    Spot spot;
    spot.hot_pixel = true;
    spot.x_px = x * step_ + 0.5 * (step_ - 1);
    spot.y_px = row * step_ + 0.5 * (step_ - 1);
    // One pixel, or its neighbours too where the camera's colour interpolation has spread it.
    spot.diameter_px = static_cast<double>(step_) * (next > 0.25F * at ? 3.0 : 1.0);
    spot.length_px = spot.diameter_px;
    spot.contrast = static_cast<double>(at) * step_ * step_ / full_scale_;
    found.push_back(spot);
  }
  return found;
}

}  // namespace trunnion::survey

#include "stages/survey_dust.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <utility>
#include <vector>

#include "core/angle.h"
#include "stages/survey.h"
#include "stages/survey_shade.h"

namespace trunnion {
namespace {

constexpr int kFullSizePx = 2000;
constexpr double kActivityPx = 24;  // around a pixel within which texture counts against it
constexpr double kHotWindowPx = 64;
constexpr double kScatterPx = 60;
constexpr double kRoundness = 0.45;   // area over that of the circle on the longer axis
constexpr double kRoundEnough = 0.7;  // rounder spots are taken to be round
constexpr double kTrailTurn = 15.0;   // deg between a trail and the radius

// Plain mean of all channels, which tell of dust alike, over step x step px; alpha ignored.
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

int odd(double size) {
  return 2 * static_cast<int>(std::lround(size / 2.0)) + 1;
}

struct Shape {
  cv::Point2d centre;
  double area = 0;
  double longer = 0;  // full axes of the ellipse of equal moments
  double shorter = 0;
  double angle = 0;
};

Shape shape_of(const cv::Mat& region) {
  const cv::Moments m = cv::moments(region, true);
  Shape shape;
  shape.area = m.m00;
  if (m.m00 <= 0) return shape;
  shape.centre = {m.m10 / m.m00, m.m01 / m.m00};
  // A pixel is a square: its own second moment is 1/12.
  const double xx = m.mu20 / m.m00 + 1.0 / 12.0;
  const double yy = m.mu02 / m.m00 + 1.0 / 12.0;
  const double xy = m.mu11 / m.m00;
  const double middle = 0.5 * (xx + yy);
  const double spread = std::hypot(0.5 * (xx - yy), xy);
  shape.longer = 4.0 * std::sqrt(middle + spread);
  shape.shorter = 4.0 * std::sqrt(std::max(0.0, middle - spread));
  shape.angle = 0.5 * std::atan2(2.0 * xy, xx - yy);
  return shape;
}

// The connected part around `seed` where `map` keeps the sign and at least half the depth.
cv::Mat half_depth(const cv::Mat& map, const cv::Point& seed) {
  const float peak = map.at<float>(seed);
  cv::Mat deep = peak < 0 ? map <= 0.5F * peak : map >= 0.5F * peak;
  cv::floodFill(deep, seed, cv::Scalar(128), nullptr, cv::Scalar(), cv::Scalar(), 8);
  return deep == 128;
}

// Median around a spot over eight sectors, and the greatest departure from it of all but two.
struct Surround {
  double mean = 0;
  double unevenness = 0;
  bool inside = true;
};

Surround surround_of(const cv::Mat& map, const cv::Point2d& centre, double radius) {
  std::array<double, 8> sums{};
  std::array<int, 8> counts{};
  Surround surround;
  for (int k = 0; k < 64; ++k) {
    const double turn = 2.0 * kPi * k / 64.0;
    for (const double r : {radius, radius + 1.0}) {
      const int x = static_cast<int>(std::lround(centre.x + r * std::cos(turn)));
      const int y = static_cast<int>(std::lround(centre.y + r * std::sin(turn)));
      if (x < 0 || y < 0 || x >= map.cols || y >= map.rows) {
        surround.inside = false;
        continue;
      }
      sums[static_cast<std::size_t>(k / 8)] += map.at<float>(y, x);
      ++counts[static_cast<std::size_t>(k / 8)];
    }
  }
  std::vector<double> means;
  for (std::size_t k = 0; k < 8; ++k) {
    if (counts[k] > 0) means.push_back(sums[k] / counts[k]);
  }
  if (means.empty()) return surround;
  std::sort(means.begin(), means.end());
  surround.mean = means[means.size() / 2];
  // An edge of the specimen may lie across a quarter of the surround.
  std::vector<double> away;
  for (const double mean : means) away.push_back(std::abs(mean - surround.mean));
  std::sort(away.begin(), away.end());
  surround.unevenness = away[away.size() > 2 ? away.size() - 3 : 0];
  return surround;
}

// Mean of `map` over rings a pixel wide around `centre`.
std::vector<double> radial_means(const cv::Mat& map, const cv::Point2d& centre, int reach) {
  std::vector<double> sums(static_cast<std::size_t>(reach) + 2, 0.0);
  std::vector<double> weights(sums.size(), 0.0);
  const cv::Point middle(static_cast<int>(std::lround(centre.x)),
                         static_cast<int>(std::lround(centre.y)));
  for (int y = middle.y - reach; y <= middle.y + reach; ++y) {
    for (int x = middle.x - reach; x <= middle.x + reach; ++x) {
      if (x < 0 || y < 0 || x >= map.cols || y >= map.rows) continue;
      const double r = std::hypot(x - centre.x, y - centre.y);
      const auto ring = static_cast<std::size_t>(r);
      if (ring + 1 >= sums.size()) continue;
      // Shared between the two rings it lies between.
      const double part = r - static_cast<double>(ring);
      sums[ring] += (1 - part) * map.at<float>(y, x);
      weights[ring] += 1 - part;
      sums[ring + 1] += part * map.at<float>(y, x);
      weights[ring + 1] += part;
    }
  }
  for (std::size_t k = 0; k < sums.size(); ++k) {
    sums[k] = weights[k] > 0 ? sums[k] / weights[k] : (k > 0 ? sums[k - 1] : 0.0);
  }
  return sums;
}

// Transmission around a spot, fading to 1 towards the patch's rim: as measured, or averaged over
// rings where the spot is round, which averages what the specimen's texture left in the measure.
cv::Mat transmission_of(const cv::Mat& slope, const cv::Point2d& centre, double radius,
                        double surround, bool round) {
  const int reach = static_cast<int>(std::ceil(1.6 * radius)) + 2;
  const cv::Point middle(static_cast<int>(std::lround(centre.x)),
                         static_cast<int>(std::lround(centre.y)));
  const std::vector<double> rings = radial_means(slope, centre, reach + 1);
  cv::Mat patch(2 * reach + 1, 2 * reach + 1, CV_32FC1, cv::Scalar(1.0F));
  for (int v = -reach; v <= reach; ++v) {
    for (int u = -reach; u <= reach; ++u) {
      const cv::Point at = middle + cv::Point(u, v);
      if (!cv::Rect({0, 0}, slope.size()).contains(at)) continue;
      const double r = std::hypot(at.x - centre.x, at.y - centre.y);
      const double fade = std::clamp((reach - r) / 2.0, 0.0, 1.0);
      const auto ring = std::min(static_cast<std::size_t>(r), rings.size() - 2);
      const double part = std::min(1.0, r - static_cast<double>(ring));
      const double value = round ? (1 - part) * rings[ring] + part * rings[ring + 1]
                                 : static_cast<double>(slope.at<float>(at));
      patch.at<float>(v + reach, u + reach) = static_cast<float>(1.0 + fade * (value - surround));
    }
  }
  return patch;
}

// Images above 2000 px are looked at at half size: a speck of 4 px still covers 2 x 2.
int dust_step(const cv::Size& image) {
  return std::max(image.width, image.height) > kFullSizePx ? 2 : 1;
}

// The median over 5 cells of this side sees nothing of what covers less than half of them. Near the
// specimen only the narrow surround stays clear of it.
constexpr std::array<int, 2> kSurround_px{10, 4};

}  // namespace

DustLook::DustLook(const cv::Size& image, const DustOptions& options)
    : options_(options), image_(image), step_(dust_step(image)) {
  const cv::Size size(image.width / step_, image.height / step_);
  detail_ = cv::Mat::zeros(size, CV_32FC1);
  weight_ = cv::Mat::zeros(size, CV_32FC1);
  scales_.push_back({kSurround_px[0] / step_, 2.4, 9.0, options.greatest_diameter_px, {}, {}});
  scales_.push_back({kSurround_px[1] / step_, 1.2, 0.0, 14.0, {}, {}});
}

DustSight look_for_dust(const cv::Mat& image) {
  DustSight sight;
  const int step = dust_step(image.size());
  sight.grey = grey_at(image, step);
  sight.channels = image.channels() == 1 ? 1 : 3;
  sight.full_scale = image.depth() == CV_16U ? 65535.0 : 255.0;
  for (const int surround : kSurround_px) {
    sight.shades.push_back(shade_of(sight.grey, surround / step, sight.full_scale));
    sight.unrest.push_back(unrest_of(sight.shades.back(), surround / step));
  }
  const int window = odd(kHotWindowPx / step);
  cv::blur(sight.grey, sight.local, {window, window}, cv::Point(-1, -1), cv::BORDER_REFLECT_101);
  cv::Mat square(sight.grey.size(), CV_32FC1);
  for (int y = 0; y < square.rows; ++y) {
    const auto* here = sight.grey.ptr<float>(y);
    const auto* around = sight.local.ptr<float>(y);
    auto* out = square.ptr<float>(y);
    for (int x = 0; x < square.cols; ++x) {
      // An edge nearby must not drown what is steady.
      const float bound = 0.5F * around[x];
      const float detail = std::clamp(here[x] - around[x], -bound, bound);
      out[x] = detail * detail;
    }
  }
  const int reach = odd(kActivityPx / step);
  cv::blur(square, sight.activity, {reach, reach});
  return sight;
}

void DustLook::add(const DustSight& sight, const NoiseModel& noise) {
  full_scale_ = sight.full_scale;
  if (scales_.front().stations.size() < options_.greatest_stations) {
    for (std::size_t k = 0; k < scales_.size(); ++k) {
      scales_[k].stations.push_back(sight.shades[k]);
      scales_[k].unrest.push_back(sight.unrest[k]);
    }
  }
  const double averaged = static_cast<double>(sight.channels) * step_ * step_;
  const auto slope = static_cast<float>(noise.per_level / averaged);
  const auto least =
      static_cast<float>(noise.at_zero / averaged + 1e-10 * full_scale_ * full_scale_);
  for (int y = 0; y < detail_.rows; ++y) {
    const auto* here = sight.grey.ptr<float>(y);
    const auto* around = sight.local.ptr<float>(y);
    const auto* activity = sight.activity.ptr<float>(y);
    auto* detail = detail_.ptr<float>(y);
    auto* weights = weight_.ptr<float>(y);
    for (int x = 0; x < detail_.cols; ++x) {
      const float level = around[x];
      // Two thousandths of the level: what photographs repeat from station to station.
      const float weight = 1.0F / (activity[x] + slope * level + least + 4e-6F * level * level);
      detail[x] += weight * (here[x] - level);
      weights[x] += weight;
    }
  }
  ++count_;
}

std::vector<Spot> DustLook::spots() const {
  std::vector<Spot> found;
  if (count_ < 3) return found;
  std::vector<Candidate> candidates;
  for (const Scale& scale : scales_) {
    for (const Candidate& here : spots_of(scale)) {
      // A speck between the scales may be told of by both.
      const bool known =
          std::any_of(candidates.begin(), candidates.end(), [&](const Candidate& other) {
            return std::hypot(other.spot.x_px - here.spot.x_px, other.spot.y_px - here.spot.y_px) <
                   0.5 * std::max(other.spot.length_px, here.spot.length_px);
          });
      if (!known) candidates.push_back(here);
    }
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
  const std::vector<Spot> hot = hot_pixels();
  // A hot pixel on a dark backdrop also brightens it by a factor: it is told once, as what it is.
  std::erase_if(found, [&](const Spot& spot) {
    return std::any_of(hot.begin(), hot.end(), [&](const Spot& h) {
      return std::hypot(h.x_px - spot.x_px, h.y_px - spot.y_px) < 3.0 * step_;
    });
  });
  found.insert(found.end(), hot.begin(), hot.end());
  return found;
}

std::vector<DustLook::Candidate> DustLook::spots_of(const Scale& scale) const {
  std::vector<Candidate> found;
  const double sigma = scale.smooth_px / step_;
  std::vector<cv::Mat> smooth(scale.stations.size());
  tbb::parallel_for(std::size_t{0}, smooth.size(), [&](std::size_t k) {
    cv::GaussianBlur(scale.stations[k], smooth[k], {0, 0}, sigma);
  });
  const CalmStations calm =
      calm_stations(scale.unrest, scale.shrink, scale.stations.front().size());
  const Shades filtered = median_shade(smooth, calm);
  const cv::Mat raw = median_shade(scale.stations, calm).middle;
  const cv::Mat& slope = filtered.middle;
  // The scatter over the stations tells of noise and moving texture, the scatter around the pixel
  // of what stays: texture that chance has not averaged away.
  cv::Mat error;
  cv::GaussianBlur(filtered.error, error, {0, 0}, 2.0 * sigma);
  error = cv::max(error, filtered.error);
  const cv::Mat scatter = scatter_around(slope, static_cast<int>(kScatterPx / step_));
  cv::sqrt(error.mul(error) + scatter.mul(scatter), error);
  const cv::Mat strength = cv::abs(slope) / (error + cv::Scalar(1e-6));
  const cv::Mat candidate =
      (cv::abs(slope) >= 0.6 * options_.least_contrast) & (strength >= 0.6 * options_.significance);
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  const int count =
      cv::connectedComponentsWithStats(candidate, labels, stats, centroids, 8, CV_32S);
  const cv::Point2d image_centre(0.5 * (image_.width - 1), 0.5 * (image_.height - 1));
  for (int k = 1; k < count; ++k) {
    const cv::Rect box(stats.at<int>(k, cv::CC_STAT_LEFT), stats.at<int>(k, cv::CC_STAT_TOP),
                       stats.at<int>(k, cv::CC_STAT_WIDTH), stats.at<int>(k, cv::CC_STAT_HEIGHT));
    if (std::max(box.width, box.height) * step_ > 4.0 * options_.greatest_diameter_px) continue;
    cv::Point seed;
    float peak = 0;
    for (int y = box.y; y < box.y + box.height; ++y) {
      for (int x = box.x; x < box.x + box.width; ++x) {
        if (labels.at<int>(y, x) == k && std::abs(slope.at<float>(y, x)) > std::abs(peak)) {
          peak = slope.at<float>(y, x);
          seed = {x, y};
        }
      }
    }
    if (std::abs(peak) < options_.least_contrast ||
        strength.at<float>(seed) < options_.significance) {
      continue;
    }
    const int reach = static_cast<int>(1.5 * options_.greatest_diameter_px / step_);
    const cv::Rect part = cv::Rect(seed.x - reach, seed.y - reach, 2 * reach + 1, 2 * reach + 1) &
                          cv::Rect({0, 0}, slope.size());
    const Shape shape = shape_of(half_depth(slope(part), seed - part.tl()));
    const double diameter = std::sqrt(4.0 * shape.area / kPi);
    if (diameter * step_ < std::max(scale.least_px, options_.least_diameter_px) ||
        diameter * step_ > scale.greatest_px ||
        shape.longer * step_ > options_.greatest_diameter_px) {
      continue;
    }
    Spot spot;
    const cv::Point2d centre = shape.centre + cv::Point2d(part.tl());
    // Pixel i at 1/step covers pixels step i .. step i + step - 1.
    spot.x_px = centre.x * step_ + 0.5 * (step_ - 1);
    spot.y_px = centre.y * step_ + 0.5 * (step_ - 1);
    spot.diameter_px = diameter * step_;
    spot.length_px = shape.longer * step_;
    spot.angle = shape.angle;
    const double roundness = shape.area / (kPi / 4.0 * shape.longer * shape.longer);
    const bool elongated = roundness < kRoundEnough;
    const double radius = std::atan2(spot.y_px - image_centre.y, spot.x_px - image_centre.x);
    spot.trail =
        elongated && std::abs(std::sin(radius - spot.angle)) < std::sin(radians(kTrailTurn));
    // A faint shape may be what a limb leaves: as a speck it must be round.
    const bool speck = roundness >= kRoundness &&
                       (!elongated || strength.at<float>(seed) >= 2.0 * options_.significance);
    if (!speck && !spot.trail) continue;
    const Surround surround =
        surround_of(slope, centre, 0.75 * shape.longer + 2.0 / step_ + 2.0 * sigma);
    if (!surround.inside || surround.unevenness > 0.4 * std::abs(peak)) continue;
    spot.contrast = peak - surround.mean;
    if (std::abs(spot.contrast) < options_.least_contrast) continue;
    spot.patch_step = step_;
    spot.transmission =
        transmission_of(raw, centre, 0.5 * shape.longer, surround.mean, roundness > kRoundEnough);
    found.push_back({spot, speck});
  }
  return found;
}

// Light added at every station to one pixel and nothing around it.
std::vector<Spot> DustLook::hot_pixels() const {
  std::vector<Spot> found;
  const cv::Mat added = detail_ / (weight_ + cv::Scalar(1e-30));
  cv::Mat inverse;
  cv::sqrt(1.0 / (weight_ + cv::Scalar(1e-30)), inverse);
  const double least = options_.least_hot * full_scale_ / (step_ * step_);
  const auto sure = static_cast<float>(options_.significance);
  for (int y = 2; y + 2 < added.rows; ++y) {
    for (int x = 2; x + 2 < added.cols; ++x) {
      const float at = added.at<float>(y, x);
      if (at < least || at < sure * inverse.at<float>(y, x)) continue;
      float around = 0;
      float next = 0;
      for (int v = -2; v <= 2; ++v) {
        for (int u = -2; u <= 2; ++u) {
          const float other = std::abs(added.at<float>(y + v, x + u));
          if (std::max(std::abs(u), std::abs(v)) == 2) around = std::max(around, other);
          if (u != 0 || v != 0) next = std::max(next, added.at<float>(y + v, x + u));
        }
      }
      if (next > at || around > 0.25F * at) continue;
      Spot spot;
      spot.hot_pixel = true;
      spot.x_px = x * step_ + 0.5 * (step_ - 1);
      spot.y_px = y * step_ + 0.5 * (step_ - 1);
      // One pixel, or its neighbours too where the camera's colour interpolation has spread it.
      spot.diameter_px = static_cast<double>(step_) * (next > 0.25F * at ? 3.0 : 1.0);
      spot.length_px = spot.diameter_px;
      spot.contrast = static_cast<double>(at) * step_ * step_ / full_scale_;
      found.push_back(spot);
    }
  }
  return found;
}

Findings dust_advice(const std::vector<Spot>& spots, const cv::Size& image) {
  int dust = 0;
  int hot = 0;
  int large = 0;
  const Spot* worst = nullptr;
  for (const Spot& spot : spots) {
    if (spot.hot_pixel) {
      ++hot;
      continue;
    }
    ++dust;
    large += spot.diameter_px > 20.0 ? 1 : 0;
    const auto harm = [](const Spot& s) { return std::abs(s.contrast) * s.diameter_px; };
    if (worst == nullptr || harm(spot) > harm(*worst)) worst = &spot;
  }
  Findings findings;
  if (worst != nullptr) {
    const double u = worst->x_px / image.width;
    const double v = worst->y_px / image.height;
    const std::string row = v < 1.0 / 3 ? "upper " : v > 2.0 / 3 ? "lower " : "middle ";
    const std::string column = u < 1.0 / 3 ? "left" : u > 2.0 / 3 ? "right" : "middle";
    const std::string place = row == "middle " && column == "middle" ? "the middle" : row + column;
    findings.push_back(
        {Severity::note, "survey", "",
         fmt::format("{} spot{} of dust repeat{} at the same place in every image, {} over 20 px, "
                     "worst at {}",
                     dust, dust == 1 ? "" : "s", dust == 1 ? "s" : "", large, place),
         "clean the sensor before the next set, see the cautions in docs/masks.md"});
  }
  if (hot > 0) {
    findings.push_back({Severity::note, "survey", "",
                        fmt::format("{} hot pixel{} shine{} in every image", hot,
                                    hot == 1 ? "" : "s", hot == 1 ? "s" : ""),
                        "shorter exposures or a cooler camera show fewer"});
  }
  return findings;
}

cv::Mat dust_map(const SurveyResult& survey) {
  constexpr double kLongest = 1200;
  const double scale = std::min(1.0, kLongest / std::max({1, survey.width_px, survey.height_px}));
  const cv::Size size(std::max(1, static_cast<int>(std::lround(survey.width_px * scale))),
                      std::max(1, static_cast<int>(std::lround(survey.height_px * scale))));
  cv::Mat picture;
  survey.backdrop.convertTo(picture, CV_8U, 100.0 / survey.full_scale, 150.0);
  cv::resize(picture, picture, size, 0, 0, cv::INTER_AREA);
  for (const Spot& spot : survey.spots) {
    const cv::Point centre(static_cast<int>(std::lround(spot.x_px * scale)),
                           static_cast<int>(std::lround(spot.y_px * scale)));
    const int radius = std::max(6, static_cast<int>(std::lround(spot.length_px * scale)) + 3);
    const cv::Scalar colour = spot.hot_pixel ? cv::Scalar(160, 90, 0) : cv::Scalar(20, 20, 200);
    cv::circle(picture, centre, radius, colour, 2, cv::LINE_AA);
    cv::circle(picture, centre, 1, colour, cv::FILLED);
  }
  return picture;
}

}  // namespace trunnion

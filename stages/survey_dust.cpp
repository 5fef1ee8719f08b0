#include "stages/survey_dust.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "stages/survey.h"

namespace trunnion {
namespace {

constexpr int kFullSizePx = 2000;
constexpr double kActivityPx = 24;   // around a pixel within which texture counts against it
constexpr double kSmoothPx = 1.2;    // sigma of a matched filter for the smallest specks
constexpr double kRoundness = 0.45;  // area over that of the circle on the longer axis
constexpr double kTrailTurn = 15.0;  // deg between a trail and the radius

cv::Mat grey_at(const cv::Mat& image, int step) {
  cv::Mat grey;
  if (image.channels() == 1) {
    grey = image;
  } else if (image.channels() == 3) {
    // The plain mean: all channels tell of dust alike.
    cv::transform(image, grey, cv::Matx13f(1.0F / 3, 1.0F / 3, 1.0F / 3));
  } else {
    cv::transform(image, grey, cv::Matx14f(1.0F / 3, 1.0F / 3, 1.0F / 3, 0));
  }
  if (step > 1) {
    const cv::Size whole(image.cols / step * step, image.rows / step * step);
    cv::resize(grey(cv::Rect({0, 0}, whole)), grey, {whole.width / step, whole.height / step}, 0, 0,
               cv::INTER_AREA);
  }
  cv::Mat result;
  grey.convertTo(result, CV_32F);
  return result;
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

// Mean around a spot and the greatest departure from it in eight sectors.
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
  double total = 0;
  int used = 0;
  for (std::size_t k = 0; k < 8; ++k) {
    if (counts[k] == 0) continue;
    total += sums[k] / counts[k];
    ++used;
  }
  surround.mean = used > 0 ? total / used : 0.0;
  for (std::size_t k = 0; k < 8; ++k) {
    if (counts[k] == 0) continue;
    surround.unevenness =
        std::max(surround.unevenness, std::abs(sums[k] / counts[k] - surround.mean));
  }
  return surround;
}

// Transmission around a spot: measured where it is, fading to 1 towards the patch's rim.
cv::Mat transmission_of(const cv::Mat& slope, const cv::Point& middle, double radius,
                        double surround) {
  const int reach = static_cast<int>(std::ceil(2.0 * radius)) + 2;
  cv::Mat patch(2 * reach + 1, 2 * reach + 1, CV_32FC1, cv::Scalar(1.0F));
  for (int v = -reach; v <= reach; ++v) {
    for (int u = -reach; u <= reach; ++u) {
      const cv::Point at = middle + cv::Point(u, v);
      if (!cv::Rect({0, 0}, slope.size()).contains(at)) continue;
      const double fade = std::clamp((reach - std::hypot(u, v)) / (0.5 * radius + 1.0), 0.0, 1.0);
      patch.at<float>(v + reach, u + reach) =
          static_cast<float>(1.0 + fade * (slope.at<float>(at) - surround));
    }
  }
  return patch;
}

}  // namespace

DustSums::DustSums(const cv::Size& image, const DustOptions& options)
    : options_(options),
      image_(image),
      step_(std::max(image.width, image.height) > kFullSizePx ? 2 : 1) {
  const cv::Size size(image.width / step_, image.height / step_);
  for (cv::Mat* sum : {&level_detail_, &level_level_, &detail_detail_}) {
    *sum = cv::Mat::zeros(size, CV_32FC1);
  }
}

void DustSums::add(const cv::Mat& image, const NoiseModel& noise) {
  const cv::Mat grey = grey_at(image, step_);
  const double full_scale = image.depth() == CV_16U ? 65535.0 : 255.0;
  cv::Mat local;
  const int window = odd(options_.window_px / step_);
  cv::blur(grey, local, {window, window}, cv::Point(-1, -1), cv::BORDER_REFLECT_101);
  cv::Mat detail = grey - local;
  // An edge nearby must not drown what is steady; a speck is no deeper than this.
  const cv::Mat bound = 0.5 * local;
  detail = cv::min(detail, bound);
  detail = cv::max(detail, cv::Mat(-bound));
  cv::Mat activity;
  const int around = odd(kActivityPx / step_);
  cv::blur(detail.mul(detail), activity, {around, around});
  const double channels = image.channels() == 1 ? 1.0 : 3.0;
  const double averaged = channels * step_ * step_;
  // Two thousandths of the level: what photographs repeat from station to station.
  cv::Mat variance = activity + (noise.per_level / averaged) * local +
                     cv::Scalar(noise.at_zero / averaged + 1e-10 * full_scale * full_scale) +
                     4e-6 * local.mul(local);
  cv::Mat weight = 1.0 / variance;
  level_detail_ += weight.mul(local).mul(detail);
  level_level_ += weight.mul(local).mul(local);
  detail_detail_ += weight.mul(detail).mul(detail);
  ++count_;
}

std::vector<Spot> DustSums::spots() const {
  std::vector<Spot> found;
  if (count_ < 3) return found;
  cv::Mat a;
  cv::Mat b;
  cv::Mat c;
  const double sigma = kSmoothPx / step_;
  cv::GaussianBlur(level_detail_, a, {0, 0}, sigma);
  cv::GaussianBlur(level_level_, b, {0, 0}, sigma);
  cv::GaussianBlur(detail_detail_, c, {0, 0}, sigma);
  b += cv::Scalar(1e-12);
  const cv::Mat slope = a / b;
  cv::Mat residual = (c - slope.mul(a)) / static_cast<double>(count_ - 1);
  residual = cv::max(residual, 0.1);
  cv::Mat error;
  // Never surer than the weights allow: few stations can agree by chance.
  cv::sqrt(residual / b, error);
  const cv::Mat strength = cv::abs(slope) / error;
  const cv::Mat raw = level_detail_ / (level_level_ + cv::Scalar(1e-12));

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
    if (diameter * step_ < options_.least_diameter_px ||
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
    if (roundness < kRoundness) {
      const double radius = std::atan2(spot.y_px - image_centre.y, spot.x_px - image_centre.x);
      spot.trail = std::abs(std::sin(radius - spot.angle)) < std::sin(radians(kTrailTurn));
      if (!spot.trail) continue;
    }
    const Surround surround =
        surround_of(slope, centre, 0.75 * shape.longer + 2.0 / step_ + 2.0 * sigma);
    if (!surround.inside || surround.unevenness > 0.5 * std::abs(peak)) continue;
    spot.contrast = peak - surround.mean;
    if (std::abs(spot.contrast) < options_.least_contrast) continue;
    spot.patch_step = step_;
    spot.transmission = transmission_of(
        raw, {static_cast<int>(std::lround(centre.x)), static_cast<int>(std::lround(centre.y))},
        0.5 * shape.longer, surround.mean);
    found.push_back(spot);
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

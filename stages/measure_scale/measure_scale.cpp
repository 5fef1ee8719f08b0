#include "stages/measure_scale/measure_scale.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion::measure_scale {
namespace {

cv::Mat grey_float(const cv::Mat& image) {
  if (image.empty() || (image.depth() != CV_8U && image.depth() != CV_16U)) {
    throw data_error("A stage micrometer image must have 8 or 16 bit a channel; convert it.");
  }
  cv::Mat grey = image;
  if (image.channels() == 3) cv::cvtColor(image, grey, cv::COLOR_BGR2GRAY);
  if (image.channels() == 4) cv::cvtColor(image, grey, cv::COLOR_BGRA2GRAY);
  cv::Mat result;
  grey.convertTo(result, CV_32F, image.depth() == CV_8U ? 1.0 / 255.0 : 1.0 / 65535.0);
  return result;
}

// Direction of the strongest gradients, rad.
double gradient_direction(const cv::Mat& image) {
  cv::Mat dx;
  cv::Mat dy;
  cv::Sobel(image, dx, CV_32F, 1, 0);
  cv::Sobel(image, dy, CV_32F, 0, 1);
  const double xx = dx.dot(dx);
  const double yy = dy.dot(dy);
  const double xy = dx.dot(dy);
  return 0.5 * std::atan2(2.0 * xy, xx - yy);
}

constexpr double kBinPx = 0.25;

// Mean grey along lines across `direction`, in bins of a quarter pixel; empty bins lie on the
// line between their neighbours.
std::vector<double> profile_along(const cv::Mat& image, double direction, double* first_px) {
  const double c = std::cos(direction);
  const double s = std::sin(direction);
  const double corners[] = {0.0, c * (image.cols - 1), s * (image.rows - 1),
                            c * (image.cols - 1) + s * (image.rows - 1)};
  *first_px = *std::min_element(corners, corners + 4);
  const double last = *std::max_element(corners, corners + 4);
  const auto bins = static_cast<std::size_t>((last - *first_px) / kBinPx) + 2;
  std::vector<double> sum(bins, 0.0);
  std::vector<double> weight(bins, 0.0);
  for (int v = 0; v < image.rows; ++v) {
    const float* row = image.ptr<float>(v);
    for (int u = 0; u < image.cols; ++u) {
      const double at = (c * u + s * v - *first_px) / kBinPx;
      const auto bin = static_cast<std::size_t>(at);
      const double part = at - static_cast<double>(bin);
      sum[bin] += (1.0 - part) * static_cast<double>(row[u]);
      weight[bin] += 1.0 - part;
      sum[bin + 1] += part * static_cast<double>(row[u]);
      weight[bin + 1] += part;
    }
  }
  std::size_t known = bins;  // last bin with pixels
  for (std::size_t i = 0; i < bins; ++i) {
    if (!(weight[i] > 1e-9)) continue;
    sum[i] /= weight[i];
    const std::size_t from = known == bins ? 0 : known + 1;
    for (std::size_t k = from; k < i; ++k) {
      const double part =
          known == bins ? 1.0 : static_cast<double>(k - known) / static_cast<double>(i - known);
      sum[k] = known == bins ? sum[i] : (1.0 - part) * sum[known] + part * sum[i];
    }
    known = i;
  }
  for (std::size_t k = known + 1; k < bins; ++k) sum[k] = sum[known];
  return sum;
}

// Running mean over 1.25 px, twice: along the pixel grid the profile has one sample a pixel, and a
// centroid of so few leans towards them.
std::vector<double> smoothed(std::vector<double> profile) {
  for (int pass = 0; pass < 2; ++pass) {
    const std::vector<double> from = profile;
    for (std::size_t i = 2; i + 2 < from.size(); ++i) {
      profile[i] = (from[i - 2] + from[i - 1] + from[i] + from[i + 1] + from[i + 2]) / 5.0;
    }
  }
  return profile;
}

double roughness(const std::vector<double>& profile) {
  double sum = 0;
  for (std::size_t i = 4; i < profile.size(); ++i) {
    sum += std::pow(profile[i] - profile[i - 4], 2);
  }
  return sum;
}

// The structure tensor's direction is good to a tenth of a degree or so; the sharpest profile is
// better.
double refined_direction(const cv::Mat& image, double direction) {
  double first = 0;
  for (double step = radians(0.4); step > 2e-5; step *= 0.5) {
    double best = direction;
    double sharpest = roughness(profile_along(image, direction, &first));
    for (const double sign : {-1.0, 1.0}) {
      const double found = roughness(profile_along(image, direction + sign * step, &first));
      if (found > sharpest) {
        sharpest = found;
        best = direction + sign * step;
      }
    }
    direction = best;
  }
  return direction;
}

// Places of the rulings, px along the direction: centroids of the runs beyond half the contrast.
std::vector<double> ruling_places(std::vector<double> profile, double first_px) {
  std::vector<double> sorted = profile;
  std::sort(sorted.begin(), sorted.end());
  const double low = sorted[sorted.size() / 200];
  const double high = sorted[sorted.size() - 1 - sorted.size() / 200];
  const double middle = sorted[sorted.size() / 2];
  // Rulings are narrower than the gaps: the median is the ground.
  const double sign = middle - low > high - middle ? -1.0 : 1.0;
  const double peak = sign < 0 ? middle - low : high - middle;
  std::vector<double> places;
  double moment = 0;
  double mass = 0;
  bool whole = false;  // a run that begins at the image's edge is cut
  for (std::size_t i = 0; i < profile.size(); ++i) {
    const double depth = sign * (profile[i] - middle) - 0.4 * peak;
    if (depth > 0) {
      moment += depth * static_cast<double>(i);
      mass += depth;
    } else {
      if (mass > 0 && whole) places.push_back(first_px + kBinPx * moment / mass);
      moment = mass = 0;
      whole = true;
    }
  }
  return places;
}

}  // namespace

ScaleMeasurement measure_scale(const cv::Mat& image, const ScaleOptions& options) {
  ScaleMeasurement result;
  const cv::Mat grey = grey_float(image);
  result.direction = refined_direction(grey, gradient_direction(grey));
  double first = 0;
  const auto profile = smoothed(profile_along(grey, result.direction, &first));
  const std::vector<double> places = ruling_places(profile, first);
  result.rulings = static_cast<int>(places.size());
  if (result.rulings < options.min_rulings) {
    result.reason = fmt::format("only {} graduations are visible; at least {} are needed",
                                result.rulings, options.min_rulings);
    return result;
  }
  std::vector<double> gaps;
  for (std::size_t i = 1; i < places.size(); ++i) gaps.push_back(places[i] - places[i - 1]);
  std::vector<double> sorted = gaps;
  std::sort(sorted.begin(), sorted.end());
  const double gap = sorted[sorted.size() / 2];
  // Running numbers; a missing ruling skips one, a place between rulings spoils the measurement.
  std::vector<double> number{0.0};
  for (const double g : gaps) number.push_back(number.back() + std::round(g / gap));
  const auto n = static_cast<double>(places.size());
  double mean_number = 0;
  double mean_place = 0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    mean_number += number[i] / n;
    mean_place += places[i] / n;
  }
  double cross = 0;
  double square = 0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    cross += (number[i] - mean_number) * (places[i] - mean_place);
    square += std::pow(number[i] - mean_number, 2);
  }
  result.division_px = cross / square;
  double rest = 0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    rest += std::pow(places[i] - mean_place - result.division_px * (number[i] - mean_number), 2);
  }
  result.rms_px = std::sqrt(rest / n);
  if (result.rms_px > 0.1 * result.division_px) {
    result.reason = fmt::format(
        "graduations are unevenly spaced (deviation {:.2f} px, mean spacing {:.2f} px); crop the "
        "image to the scale",
        result.rms_px, result.division_px);
    return result;
  }
  result.found = true;
  result.mm_per_px = options.division_mm / result.division_px;
  const double sigma_px = std::sqrt(rest / (n - 2.0) / square);
  result.mm_per_px_sigma = result.mm_per_px * sigma_px / result.division_px;
  return result;
}

}  // namespace trunnion::measure_scale

#include "tests/support/dust_score.h"

#include <algorithm>
#include <cmath>

namespace trunnion::test {
namespace {

bool same_place(const Spot& spot, const demo::DustSpot& truth) {
  return !spot.hot_pixel && std::hypot(spot.x_px - truth.x_px, spot.y_px - truth.y_px) <
                                std::max(2.0, 0.5 * truth.diameter_px);
}

bool is_found(const demo::DustSpot& truth, const std::vector<Spot>& spots) {
  return std::any_of(spots.begin(), spots.end(),
                     [&truth](const Spot& spot) { return same_place(spot, truth); });
}

bool is_wanted(const demo::DustSpot& truth) {
  return truth.diameter_px >= 4 && truth.contrast >= 0.03;
}

double level_at(const cv::Mat& image, int y, int x, int c) {
  if (image.depth() == CV_16U) return image.at<cv::Vec3w>(y, x)[c] / 65535.0;
  return image.at<cv::Vec3b>(y, x)[c] / 255.0;
}

}  // namespace

double DustScore::recall() const {
  return static_cast<double>(found) / wanted;
}

double DustScore::precision() const {
  return static_cast<double>(found) / std::max(1, found + wrong);
}

double DustScore::error() const {
  return std::sqrt(error2 / noise2);
}

double DustScore::error_with_missed() const {
  return std::sqrt((error2 + missed_error2) / (noise2 + missed_noise2));
}

void judge_dust(const demo::DemoSet& set, const std::vector<Spot>& spots, DustScore& score) {
  const auto& dust = set.sensor().dust;
  const auto& hot = set.sensor().hot_pixels;
  for (const demo::DustSpot& truth : dust) {
    if (!is_wanted(truth)) continue;
    ++score.wanted;
    score.found += is_found(truth, spots) ? 1 : 0;
  }
  for (const Spot& spot : spots) {
    const bool real =
        std::any_of(dust.begin(), dust.end(), [&](const auto& d) { return same_place(spot, d); }) ||
        std::any_of(hot.begin(), hot.end(), [&](const auto& h) {
          return spot.hot_pixel && std::hypot(spot.x_px - h.x_px, spot.y_px - h.y_px) < 1.5;
        });
    score.wrong += real ? 0 : 1;
  }
}

void judge_repair(const demo::DemoSet& set, const std::vector<Spot>& spots, const cv::Mat& repaired,
                  const cv::Mat& perfect, const cv::Mat& coverage, DustScore& score) {
  const demo::Sensor& sensor = set.sensor();
  // Rounding to 8 bit is noise, too.
  const double rounding = repaired.depth() == CV_8U ? 1.0 / 12.0 / 255.0 / 255.0 : 0.0;
  for (const demo::DustSpot& dust : sensor.dust) {
    const bool found = is_found(dust, spots);
    if (!found && !is_wanted(dust)) continue;
    for (int y = 0; y < coverage.rows; ++y) {
      for (int x = 0; x < coverage.cols; ++x) {
        if (coverage.at<uchar>(y, x) < 255 ||
            std::hypot(x - dust.x_px, y - dust.y_px) > 0.7 * dust.diameter_px) {
          continue;
        }
        for (int c = 0; c < 3; ++c) {
          const double truth = level_at(perfect, y, x, c);
          const double error = level_at(repaired, y, x, c) - truth;
          const double noise = sensor.noise_floor + sensor.noise_slope * truth + rounding;
          (found ? score.error2 : score.missed_error2) += error * error;
          (found ? score.noise2 : score.missed_noise2) += noise;
        }
      }
    }
  }
}

}  // namespace trunnion::test

#include "stages/survey/stack.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace trunnion::survey {
namespace {

constexpr int kTile = 16;         // px; 196 second differences a tile and channel
constexpr int kTilesAcross = 64;  // enough for every level of the image, quick on any size
constexpr double kClipHigh = 0.995;

template <typename T>
void sample_tiles(const cv::Mat& image, double full_scale, std::vector<NoiseSample>& samples) {
  const int channels = image.channels();
  const int used = channels == 1 ? 1 : 3;
  const int step = std::max(kTile, image.cols / kTilesAcross);
  for (int y0 = 0; y0 + kTile <= image.rows; y0 += step) {
    for (int x0 = 0; x0 + kTile <= image.cols; x0 += step) {
      for (int c = 0; c < used; ++c) {
        double sum = 0;
        double squares = 0;
        int count = 0;
        bool clipped = false;
        for (int y = y0 + 1; y < y0 + kTile - 1; ++y) {
          const T* above = image.ptr<T>(y - 1) + c;
          const T* row = image.ptr<T>(y) + c;
          const T* below = image.ptr<T>(y + 1) + c;
          for (int x = x0 + 1; x < x0 + kTile - 1; ++x) {
            const int l = (x - 1) * channels;
            const int m = x * channels;
            const int r = (x + 1) * channels;
            const double second = above[l] - 2.0 * above[m] + above[r] - 2.0 * row[l] +
                                  4.0 * row[m] - 2.0 * row[r] + below[l] - 2.0 * below[m] +
                                  below[r];
            clipped = clipped || row[m] >= kClipHigh * full_scale || row[m] == 0;
            sum += row[m];
            squares += second * second;
            ++count;
          }
        }
        // The operator's coefficients square to 36.
        if (!clipped) {
          samples.push_back(
              {static_cast<float>(sum / count), static_cast<float>(squares / count / 36.0)});
        }
      }
    }
  }
}

}  // namespace

SurveyFrame reduce(const cv::Mat& image, int side, double full_scale) {
  SurveyFrame frame;
  block_means(image, side).convertTo(frame.mean, CV_16U, 65535.0 / full_scale);
  return frame;
}

void sample_noise(const cv::Mat& image, double full_scale, std::vector<NoiseSample>& samples) {
  if (image.depth() == CV_16U) {
    sample_tiles<std::uint16_t>(image, full_scale, samples);
  } else {
    sample_tiles<std::uint8_t>(image, full_scale, samples);
  }
}

NoiseModel fit_noise(std::vector<NoiseSample>& samples, double full_scale) {
  // Quantisation alone leaves a variance of 1/12 of a step.
  NoiseModel model{1.0 / 12.0, 0.0};
  constexpr int kBins = 16;
  std::array<std::vector<float>, kBins> variances;
  std::array<double, kBins> level_sum{};
  for (const NoiseSample& sample : samples) {
    const double level = std::clamp(sample.level / full_scale, 0.0, 0.9999);
    const auto bin = static_cast<std::size_t>(std::sqrt(level) * kBins);
    variances[bin].push_back(sample.variance);
    level_sum[bin] += sample.level;
  }
  // Tiles with texture lie above the noise: the lower quartile of a bin is a tile without.
  double n = 0;
  double sx = 0;
  double sy = 0;
  double sxx = 0;
  double sxy = 0;
  double least = std::numeric_limits<double>::infinity();
  for (std::size_t bin = 0; bin < kBins; ++bin) {
    std::vector<float>& values = variances[bin];
    if (values.size() < 8) continue;
    const auto quartile = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 4);
    std::nth_element(values.begin(), quartile, values.end());
    const double level = level_sum[bin] / static_cast<double>(values.size());
    const double variance = *quartile;
    // The scatter of a variance grows with it, so relative weights.
    const double weight =
        std::sqrt(static_cast<double>(values.size())) / (variance * variance + 1e-6);
    n += weight;
    sx += weight * level;
    sy += weight * variance;
    sxx += weight * level * level;
    sxy += weight * level * variance;
    least = std::min(least, variance);
  }
  if (n <= 0) return model;
  const double determinant = n * sxx - sx * sx;
  double slope = determinant > 1e-9 * n * sxx ? (n * sxy - sx * sy) / determinant : 0.0;
  slope = std::max(0.0, slope);
  double zero = (sy - slope * sx) / n;
  if (zero < 0) {
    zero = 0;
    slope = sxx > 0 ? sxy / sxx : 0.0;
  }
  model.at_zero = std::max(model.at_zero, zero);
  model.per_level = slope;
  return model;
}

}  // namespace trunnion::survey

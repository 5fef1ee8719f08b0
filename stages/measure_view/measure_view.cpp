#include "stages/measure_view/measure_view.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/median.h"

namespace trunnion::measure_view {
namespace {

constexpr double kDarkest = 0.02;      // of full scale; darker ones are mostly the sensor's offset
constexpr int kSquaresAcross = 160;    // of the longer side; thousands are left beside a specimen
constexpr double kClearShare = 0.015;  // of the longer side: hairs and halos end this close
constexpr std::size_t kLeastSquares = 50;
constexpr int kRowsAcross = 2000;  // measured for sharpness; more rows change nothing
constexpr double kClipHigh = 0.995;
constexpr double kClipLow = 0.002;

// 255 where squares of the survey's grid are clear of the specimen.
cv::Mat clear_squares(const cv::Mat& coverage, const SurveyResult& survey) {
  if (coverage.empty()) return survey.occupied == 0;
  cv::Mat share;
  cv::resize(coverage, share, survey.backdrop.size(), 0, 0, cv::INTER_AREA);
  const int reach =
      1 + static_cast<int>(kClearShare * std::max(survey.backdrop.cols, survey.backdrop.rows));
  cv::Mat near;
  cv::dilate(share > 2, near,
             cv::getStructuringElement(cv::MORPH_RECT, {2 * reach + 1, 2 * reach + 1}));
  return near == 0;
}

double backdrop_level(const cv::Mat& image, const cv::Mat& coverage, const SurveyResult& survey) {
  if (survey.backdrop.empty()) return 0;
  const cv::Mat clear = clear_squares(coverage, survey);
  const int step =
      std::max(1, std::max(survey.backdrop.cols, survey.backdrop.rows) / kSquaresAcross);
  std::vector<float> ratios;
  for (int j = 0; j < survey.backdrop.rows; j += step) {
    for (int i = 0; i < survey.backdrop.cols; i += step) {
      if (clear.at<std::uint8_t>(j, i) == 0 || survey.backdrop_seen.at<std::uint8_t>(j, i) == 0) {
        continue;
      }
      const auto& expected = survey.backdrop.at<cv::Vec3f>(j, i);
      const double level = (static_cast<double>(expected[0]) + static_cast<double>(expected[1]) +
                            static_cast<double>(expected[2])) /
                           3.0;
      if (level < kDarkest * survey.full_scale) continue;
      const cv::Rect square =
          cv::Rect(i * survey.scale, j * survey.scale, survey.scale, survey.scale) &
          cv::Rect({0, 0}, image.size());
      if (square.empty()) continue;
      const cv::Scalar mean = cv::mean(image(square));
      const double seen = image.channels() == 1 ? mean[0] : (mean[0] + mean[1] + mean[2]) / 3.0;
      ratios.push_back(static_cast<float>(seen / level));
    }
  }
  return ratios.size() < kLeastSquares ? 0.0 : median_in_place(ratios);
}

template <typename T>
void measure_specimen(const cv::Mat& image, const cv::Mat& coverage, const SurveyResult& survey,
                      ViewMeasures& measures) {
  const int channels = image.channels();
  const int green = channels == 1 ? 0 : 1;
  const int last = channels == 1 ? 0 : 2;
  const double full = survey.full_scale;
  const auto high = static_cast<T>(kClipHigh * full);
  const auto low = static_cast<T>(kClipLow * full);
  std::vector<float> levels;
  double energy = 0;
  double sum = 0;
  std::size_t pairs = 0;
  std::size_t over = 0;
  std::size_t under = 0;
  for (int y = 0; y < image.rows; y += std::max(1, image.rows / kRowsAcross)) {
    const T* row = image.ptr<T>(y);
    const auto* inside = coverage.ptr<std::uint8_t>(y);
    for (int x = 1; x + 1 < image.cols; ++x) {
      if (inside[x] <= 127) continue;
      const T* pixel = row + x * channels;
      levels.push_back(static_cast<float>(pixel[green]));
      over += (pixel[0] >= high || pixel[green] >= high || pixel[last] >= high) ? 1U : 0U;
      under += (pixel[0] <= low && pixel[green] <= low && pixel[last] <= low) ? 1U : 0U;
      if (inside[x - 1] <= 127 || inside[x + 1] <= 127) continue;
      const double second = 2.0 * pixel[green] - (pixel - channels)[green] -
                            static_cast<double>((pixel + channels)[green]);
      energy += second * second;
      sum += pixel[green];
      ++pairs;
    }
  }
  if (pairs == 0) return;
  const auto count = static_cast<double>(levels.size());
  measures.clipped_high = static_cast<double>(over) / count;
  measures.clipped_low = static_cast<double>(under) / count;
  measures.specimen_level = median_in_place(levels) / full;
  const double mean = sum / static_cast<double>(pairs);
  const double noise = 6.0 * survey.noise.variance(mean);
  measures.sharpness = std::sqrt(std::max(0.0, energy / static_cast<double>(pairs) - noise)) /
                       std::max(0.001 * full, mean);
}

}  // namespace

ViewMeasures measure_view(const cv::Mat& image, const cv::Mat& coverage,
                          const SurveyResult& survey) {
  ViewMeasures measures;
  measures.backdrop_level = backdrop_level(image, coverage, survey);
  if (coverage.empty()) return measures;
  if (image.depth() == CV_16U) {
    measure_specimen<std::uint16_t>(image, coverage, survey, measures);
  } else {
    measure_specimen<std::uint8_t>(image, coverage, survey, measures);
  }
  return measures;
}

}  // namespace trunnion::measure_view

#include "tests/support/simulated_series.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "datasets/random.h"

namespace trunnion::test {
namespace {

using demo::Draws;

constexpr int kPreviewWidth = 360;
constexpr int kPreviewHeight = 240;
constexpr std::array kBlurs{0.0, 0.7, 1.2, 2.0, 3.2, 5.0, 8.0};  // px, between which is mixed

// The body: its texture at each blur, its depth (-1 to 1) and where it is.
class Body {
 public:
  explicit Body(Draws& draws) : depth_(kPreviewHeight, kPreviewWidth, CV_32F) {
    cv::Mat texture(kPreviewHeight, kPreviewWidth, CV_32F);
    for (float& v : cv::Mat_<float>(texture)) v = static_cast<float>(draws.normal());
    cv::GaussianBlur(texture, texture, {}, 0.8);
    const double backdrop = draws.uniform(0.05, 0.3);
    const double level = draws.uniform(0.35, 0.6);
    const double contrast = draws.uniform(0.15, 0.35);
    for (int y = 0; y < kPreviewHeight; ++y) {
      for (int x = 0; x < kPreviewWidth; ++x) {
        const double u = (x - 180) / 120.0;
        const double v = (y - 120) / 95.0;
        const double r = u * u + v * v;
        // An egg seen from its end, from the rim (far) to the tip (near).
        depth_.at<float>(y, x) = static_cast<float>(r < 1 ? 2 * std::sqrt(1 - r) - 1 : -1);
        const double value = level + contrast * static_cast<double>(texture.at<float>(y, x));
        texture.at<float>(y, x) = static_cast<float>(r < 1 ? value : backdrop);
      }
    }
    for (const double sigma : kBlurs) {
      cv::Mat blurred = texture.clone();
      if (sigma > 0) cv::GaussianBlur(texture, blurred, {}, sigma);
      levels_.push_back(blurred);
    }
  }

  // `focus`: depth that is sharp; `slope`: px of blur a unit of depth.
  [[nodiscard]] cv::Mat at(double focus, double slope) const {
    cv::Mat image(kPreviewHeight, kPreviewWidth, CV_32F);
    for (int y = 0; y < kPreviewHeight; ++y) {
      for (int x = 0; x < kPreviewWidth; ++x) {
        const double blur = std::min(
            slope * std::abs(static_cast<double>(depth_.at<float>(y, x)) - focus), kBlurs.back());
        std::size_t i = 0;
        while (i + 2 < kBlurs.size() && kBlurs.at(i + 1) < blur) ++i;
        const double t = (blur - kBlurs.at(i)) / (kBlurs.at(i + 1) - kBlurs.at(i));
        image.at<float>(y, x) = static_cast<float>((1 - t) * levels_[i].at<float>(y, x) +
                                                   t * levels_[i + 1].at<float>(y, x));
      }
    }
    return image;
  }

 private:
  cv::Mat depth_;
  std::vector<cv::Mat> levels_;
};

}  // namespace

SimulatedSeries simulated_series(SeriesFault fault, std::uint64_t seed) {
  Draws draws(seed, 50 + static_cast<std::uint64_t>(fault));
  const Body body(draws);
  const int planned = static_cast<int>(draws.uniform(14, 45));
  const double step_px = draws.uniform(0.25, 0.6);
  const double margin = 1.1;  // 5 % of the depth before and behind
  const double step = 2 * margin / (planned - 1);
  double first = margin;
  int count = planned;
  const int lost = static_cast<int>(std::ceil(planned * draws.uniform(0.15, 0.4)));
  if (fault == SeriesFault::near_depth) first -= lost * step;
  if (fault == SeriesFault::near_depth || fault == SeriesFault::far_depth) count -= lost;
  if (fault == SeriesFault::twice) ++count;
  SimulatedSeries series;
  series.faulty = fault == SeriesFault::near_depth ? 0
                  : fault == SeriesFault::far_depth
                      ? static_cast<std::size_t>(count) - 1
                      : static_cast<std::size_t>(draws.uniform(3, static_cast<double>(count) - 3));
  const double interval = draws.uniform(0.5, 6);
  double time = 1.7e9;
  for (int i = 0, slice = 0; i < count; ++i, ++slice) {
    const bool here = static_cast<std::size_t>(i) == series.faulty;
    if (here && fault == SeriesFault::twice) --slice;
    if (here && fault == SeriesFault::gap) {
      ++slice;
      time += interval;
    }
    time += interval * std::max(0.3, 1 + 0.2 * draws.normal());
    cv::Mat image = body.at(first - slice * step, step_px / step);
    if (here && fault == SeriesFault::moved) {
      const cv::Mat shift = (cv::Mat_<double>(2, 3) << 1, 0, 4.0, 0, 1, 3.0);
      cv::warpAffine(image, image, shift, image.size(), cv::INTER_LINEAR, cv::BORDER_REPLICATE);
    }
    double gain = 1 + 0.01 * draws.normal();
    if (here && fault == SeriesFault::flash) gain = draws.uniform(0, 0.1);
    if (here && fault == SeriesFault::exposure) gain *= draws.uniform(0.4, 0.7);
    image *= gain;
    for (float& v : cv::Mat_<float>(image)) v += static_cast<float>(0.01 * draws.normal());
    cv::Mat preview;
    image.convertTo(preview, CV_8U, 255.0);
    series.frames.push_back({grids_of(preview), time, i + 1});
  }
  return series;
}

}  // namespace trunnion::test

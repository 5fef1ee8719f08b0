#include "stages/survey/neighbour.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>

namespace trunnion::survey {
namespace {

constexpr int kNearest = 2;             // stations used on each side
constexpr int kCoarse = 2;              // px, of the search for the displacement
constexpr double kSearchShare = 0.1;    // of the longer side: greatest displacement
constexpr double kLeastLikeness = 0.6;  // correlation at the displacement
constexpr int kIterations = 12;
constexpr double kOutlier = 0.1;         // of the logarithm: more is what a neighbour does not show
constexpr double kMostLeft = 0.8;        // of the gradients, else the neighbour doesn't help
constexpr double kLeastPattern = 0.02;   // gradients that are worth lessening
constexpr double kLeastOverNoise = 2.0;  // the same in the noise's own

cv::Mat to_float(const cv::Mat& quantised) {
  cv::Mat log;
  quantised.convertTo(log, CV_32F, quantised_log_step(), -65535.0 * quantised_log_step());
  return log;
}

// Root mean square of the gradients.
double pattern_in(const cv::Mat& log) {
  const cv::Size inner(log.cols - 1, log.rows - 1);
  const cv::Mat here = log(cv::Rect({0, 0}, inner));
  const double x = cv::norm(here, log(cv::Rect({1, 0}, inner)), cv::NORM_L2SQR);
  const double y = cv::norm(here, log(cv::Rect({0, 1}, inner)), cv::NORM_L2SQR);
  return std::sqrt((x + y) / (2.0 * inner.area()));
}

cv::Mat coarser(const cv::Mat& log) {
  cv::Mat half;
  cv::resize(log, half, log.size() / kCoarse, 0, 0, cv::INTER_AREA);
  return half;
}

// Where the patch of `window` lies in the other station's image.
std::optional<cv::Point> displaced(const cv::Mat& patch, const cv::Mat& other,
                                   const cv::Rect& window, double least) {
  const int far = static_cast<int>(kSearchShare * std::max(other.cols, other.rows));
  const cv::Rect area =
      cv::Rect(window.x - far, window.y - far, window.width + 2 * far, window.height + 2 * far) &
      cv::Rect({0, 0}, other.size());
  cv::Mat likeness;
  cv::matchTemplate(coarser(to_float(other(area))), coarser(patch), likeness, cv::TM_CCOEFF_NORMED);
  // The speck itself stands still.
  const cv::Point still = (window.tl() - area.tl()) / kCoarse;
  cv::circle(likeness, still, static_cast<int>(std::ceil(least / kCoarse)), cv::Scalar(-1),
             cv::FILLED);
  double best = 0;
  cv::Point at;
  cv::minMaxLoc(likeness, nullptr, &best, nullptr, &at);
  if (best < kLeastLikeness) return std::nullopt;
  return area.tl() + at * kCoarse;
}

// Shifts in x and y at the patch's middle and at its rims (x, along x, along y), then the offset.
using AffineMap = Eigen::Matrix<double, 7, 1>;

// A part of the other station's image and its gradients.
struct Neighbour {
  cv::Mat log, slope_x, slope_y;
};

// The same at the patch's pixels.
struct Sampled {
  cv::Mat value, slope_x, slope_y;
};

// -1..1 over the patch.
struct PatchPlace {
  explicit PatchPlace(const cv::Size& size)
      : middle(0.5 * (size.width - 1), 0.5 * (size.height - 1)) {}
  [[nodiscard]] double x(int u) const { return (u - middle.x) / middle.x; }
  [[nodiscard]] double y(int v) const { return (v - middle.y) / middle.y; }
  cv::Point2d middle;
};

Neighbour neighbour_at(const cv::Mat& other, const cv::Rect& area) {
  Neighbour near;
  near.log = to_float(other(area));
  const cv::Matx13f centred(-0.5F, 0, 0.5F);
  cv::filter2D(near.log, near.slope_x, CV_32F, centred);
  cv::filter2D(near.log, near.slope_y, CV_32F, centred.t());
  return near;
}

Sampled sample(const Neighbour& near, const AffineMap& map, const cv::Size& size) {
  const PatchPlace place(size);
  cv::Mat x(size, CV_32F);
  cv::Mat y(size, CV_32F);
  for (int v = 0; v < size.height; ++v) {
    for (int u = 0; u < size.width; ++u) {
      const double a = place.x(u);
      const double b = place.y(v);
      x.at<float>(v, u) = static_cast<float>(u + map[0] + map[1] * a + map[2] * b);
      y.at<float>(v, u) = static_cast<float>(v + map[3] + map[4] * a + map[5] * b);
    }
  }
  Sampled sampled;
  cv::remap(near.log, sampled.value, x, y, cv::INTER_CUBIC, cv::BORDER_REPLICATE);
  cv::remap(near.slope_x, sampled.slope_x, x, y, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  cv::remap(near.slope_y, sampled.slope_y, x, y, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  return sampled;
}

// One Gauss-Newton step, by Huber's weights; `misses`: sum of the weighted squares before it.
AffineMap step_from(const cv::Mat& patch, const Sampled& sampled, double offset, double& misses) {
  const PatchPlace place(patch.size());
  Eigen::Matrix<double, 7, 7> normal = decltype(normal)::Zero();
  AffineMap right = AffineMap::Zero();
  misses = 0;
  for (int v = 0; v < patch.rows; ++v) {
    for (int u = 0; u < patch.cols; ++u) {
      const double a = place.x(u);
      const double b = place.y(v);
      const double x = sampled.slope_x.at<float>(v, u);
      const double y = sampled.slope_y.at<float>(v, u);
      const double miss = static_cast<double>(patch.at<float>(v, u)) -
                          static_cast<double>(sampled.value.at<float>(v, u)) - offset;
      AffineMap row;
      row << x, x * a, x * b, y, y * a, y * b, 1;
      const double w = kOutlier / std::max(kOutlier, std::abs(miss));
      normal += w * row * row.transpose();
      right += w * miss * row;
      misses += w * miss * miss;
    }
  }
  return normal.ldlt().solve(right);
}

// The other station's image as it lies over the patch, offset included; empty where it does not.
cv::Mat laid_over(const cv::Mat& patch, const cv::Mat& other, const cv::Point& start) {
  const int margin = std::max(4, patch.cols / 4);
  const cv::Rect area = cv::Rect(start.x - margin, start.y - margin, patch.cols + 2 * margin,
                                 patch.rows + 2 * margin) &
                        cv::Rect({0, 0}, other.size());
  const Neighbour near = neighbour_at(other, area);
  AffineMap map = AffineMap::Zero();
  map[0] = start.x - area.x;
  map[3] = start.y - area.y;
  double before = 0;
  for (int round = 0; round < kIterations; ++round) {
    double misses = 0;
    const AffineMap step = step_from(patch, sample(near, map, patch.size()), map[6], misses);
    if (!step.allFinite() || step.head<6>().cwiseAbs().maxCoeff() > 2 * margin) return {};
    map += step;
    if (round > 0 && std::abs(before - misses) < 1e-4 * misses) break;
    before = misses;
  }
  const PatchPlace place(patch.size());
  const cv::Point2d middle(place.middle.x + map[0], place.middle.y + map[3]);
  if (!cv::Rect2d({0, 0}, cv::Size2d(near.log.size())).contains(middle)) return {};
  return sample(near, map, patch.size()).value + map[6];
}

// Gradients that noise alone shows at the patch's level.
double noise_in(const cv::Mat& log, const LightNoise& noise) {
  const double level = std::exp(cv::mean(log)[0]);
  return std::sqrt(2.0 * (noise.at_zero / level + noise.per_level) / level);
}

// What the neighbours of station k show of the patch, the likelier the more it counts; empty where
// none does.
cv::Mat pattern_by_neighbours(const std::vector<cv::Mat>& logs, std::size_t k, const cv::Mat& patch,
                              const cv::Rect& window, double reach) {
  const double pattern = pattern_in(patch);
  cv::Mat sum = cv::Mat::zeros(patch.size(), CV_32F);
  double total = 0;
  const std::size_t first = k > kNearest ? k - kNearest : 0;
  const std::size_t last = std::min(logs.size() - 1, k + kNearest);
  for (std::size_t j = first; j <= last; ++j) {
    if (j == k) continue;
    const auto start = displaced(patch, logs[j], window, 2 * reach + kCoarse);
    const cv::Mat shown = start ? laid_over(patch, logs[j], *start) : cv::Mat();
    if (shown.empty()) continue;
    const double left = pattern_in(patch - shown);
    if (left > kMostLeft * pattern) continue;
    sum += shown / (left * left);
    total += 1.0 / (left * left);
  }
  return total > 0 ? cv::Mat(sum / total) : cv::Mat();
}

}  // namespace

std::vector<cv::Mat> less_pattern(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                                  const std::vector<cv::Mat>& patches, const cv::Rect& window,
                                  double reach) {
  std::vector<cv::Mat> result = patches;
  if (std::min(window.width, window.height) < 8) return result;
  for (std::size_t k = 0; k < patches.size(); ++k) {
    const cv::Mat patch = to_float(patches[k]);
    if (pattern_in(patch) < std::max(kLeastPattern, kLeastOverNoise * noise_in(patch, noise))) {
      continue;
    }
    const cv::Mat shown = pattern_by_neighbours(logs, k, patch, window, reach);
    if (shown.empty()) continue;
    // At the level of the patch, which its noise depends on.
    const cv::Mat rest = patch - shown + cv::mean(patch)[0];
    cv::Mat quantised;  // of its own: the patch stays as it was
    rest.convertTo(quantised, CV_16U, 1.0 / quantised_log_step(), 65535.0);
    result[k] = quantised;
  }
  return result;
}

}  // namespace trunnion::survey

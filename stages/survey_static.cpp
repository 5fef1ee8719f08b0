#include "stages/survey_static.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

constexpr float kDarkest = 0.0015F;  // below is noise; ln of it is 0 in a remembered image
constexpr int kAround = 5;           // px, within which texture counts against a pixel
constexpr float kClip = 0.7F;        // sigmas from which Huber's estimate turns into a median
constexpr int kRounds = 6;           // of reweighting
constexpr float kRepeated = 4e-6F;   // variance: 0.2 %, what photographs repeat from shot to shot
constexpr int kStrip = 64;           // rows worked on at once, so that memory stays small

float log_step() {
  return -std::log(kDarkest) / 65535.0F;
}

// Gradients in one direction, with weights, of one station's strip.
struct Slopes {
  cv::Mat value;   // CV_32FC1
  cv::Mat weight;  // 1 / variance
  cv::Mat root;    // of the weight
  cv::Mat busy;    // the weight where texture rules it, else 0
};

// `log` with a rim of kAround rows, as far as there are rows.
Slopes slopes_of(const cv::Mat& log, const cv::Point& to, const LightNoise& noise) {
  Slopes s;
  s.value = cv::Mat::zeros(log.size(), CV_32FC1);
  const cv::Rect from(0, 0, log.cols - to.x, log.rows - to.y);
  cv::Mat inside = s.value(from);
  cv::subtract(log(from + to), log(from), inside);
  cv::Mat level;
  cv::blur(log, level, {kAround, kAround}, cv::Point(-1, -1), cv::BORDER_REFLECT_101);
  cv::exp(-level, level);  // 1 / level
  cv::Mat texture;
  cv::blur(cv::abs(s.value), texture, {kAround, kAround}, cv::Point(-1, -1),
           cv::BORDER_REFLECT_101);
  s.weight.create(log.size(), CV_32FC1);
  s.busy = cv::Mat::zeros(log.size(), CV_32FC1);
  const auto zero = static_cast<float>(2.0 * noise.at_zero);
  const auto slope = static_cast<float>(2.0 * noise.per_level);
  for (int y = 0; y < log.rows; ++y) {
    const auto* inverse = level.ptr<float>(y);
    const auto* mean = texture.ptr<float>(y);
    auto* weight = s.weight.ptr<float>(y);
    auto* busy = s.busy.ptr<float>(y);
    for (int x = 0; x < log.cols; ++x) {
      const float sensor = (zero * inverse[x] + slope) * inverse[x];
      // Of a normal distribution, from its mean absolute value.
      const float scene = 1.5708F * mean[x] * mean[x];
      weight[x] = 1.0F / (std::max(sensor, scene) + kRepeated);
      busy[x] = scene > 2.0F * sensor ? weight[x] : 0.0F;
    }
  }
  cv::sqrt(s.weight, s.root);
  return s;
}

// Huber's estimate over the stations for the pixels of a row, a run at a time.
void locate(const std::vector<Slopes>& stations, int row, float* value, float* weight, int width) {
  constexpr int kRun = 256;
  std::array<float, kRun> estimate{};
  std::array<float, kRun> sum{};
  std::array<float, kRun> total{};
  for (int from = 0; from < width; from += kRun) {
    const auto run = static_cast<std::size_t>(std::min(kRun, width - from));
    estimate.fill(0);
    for (int round = 0; round <= kRounds; ++round) {
      sum.fill(0);
      total.fill(0);
      const float clip = round == 0 ? 1e6F : kClip;
      for (const Slopes& station : stations) {
        const float* g = station.value.ptr<float>(row) + from;
        const float* w = station.weight.ptr<float>(row) + from;
        const float* root = station.root.ptr<float>(row) + from;
        for (std::size_t x = 0; x < run; ++x) {
          const float z = std::abs(g[x] - estimate[x]) * root[x];
          const float share = w[x] * (clip / std::max(clip, z));
          sum[x] += share * g[x];
          total[x] += share;
        }
      }
      for (std::size_t x = 0; x < run; ++x) estimate[x] = sum[x] / total[x];
    }
    std::copy_n(estimate.begin(), run, value + from);
    std::copy_n(total.begin(), run, weight + from);
  }
}

}  // namespace

cv::Mat remembered_log(const cv::Mat& grey) {
  cv::Mat log;
  cv::log(cv::max(grey, kDarkest), log);
  cv::Mat remembered;
  log.convertTo(remembered, CV_16U, 1.0 / log_step(), 65535.0);
  return remembered;
}

StaticGradient static_gradient(const std::vector<cv::Mat>& logs, const LightNoise& noise) {
  const cv::Size size = logs.front().size();
  StaticGradient field;
  for (cv::Mat* map : {&field.x, &field.y, &field.weight_x, &field.weight_y, &field.texture}) {
    *map = cv::Mat::zeros(size, CV_32FC1);
  }
  std::vector<Slopes> stations(logs.size());
  for (int first = 0; first < size.height; first += kStrip) {
    const int last = std::min(size.height, first + kStrip);
    const int above = std::max(0, first - kAround);
    const int below = std::min(size.height, last + kAround);
    for (const bool down : {false, true}) {
      cv::Mat all = cv::Mat::zeros(below - above, size.width, CV_32FC1);
      cv::Mat busy = all.clone();
      for (std::size_t k = 0; k < logs.size(); ++k) {
        cv::Mat log;
        logs[k].rowRange(above, below).convertTo(log, CV_32F, log_step(), -65535.0 * log_step());
        stations[k] = slopes_of(log, down ? cv::Point(0, 1) : cv::Point(1, 0), noise);
        all += stations[k].weight;
        busy += stations[k].busy;
      }
      for (int row = first; row < last; ++row) {
        locate(stations, row - above, (down ? field.y : field.x).ptr<float>(row),
               (down ? field.weight_y : field.weight_x).ptr<float>(row), size.width);
      }
      cv::Mat share = busy / all;
      field.texture.rowRange(first, last) += 0.5 * share.rowRange(first - above, last - above);
    }
  }
  field.weight_x.col(size.width - 1).setTo(0);
  field.weight_y.row(size.height - 1).setTo(0);
  return field;
}

}  // namespace trunnion

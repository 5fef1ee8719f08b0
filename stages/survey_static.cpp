#include "stages/survey_static.h"

#include <tbb/enumerable_thread_specific.h>
#include <tbb/parallel_for.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

#include "core/vector_code.h"

namespace trunnion {
namespace {

constexpr float kDarkest = 0.0015F;  // below is noise; ln of it is 0 in a remembered image
constexpr int kAround = 5;           // px, within which texture counts against a pixel
constexpr float kClip = 0.7F;        // sigmas from which Huber's estimate turns into a median
constexpr float kKept = 0.81F;       // share of the weights that this clip leaves of normal noise
constexpr int kRounds = 6;           // of reweighting
constexpr float kRepeated = 4e-6F;   // variance: 0.2 %, what photographs repeat from shot to shot
constexpr int kLogStrip = 8;         // rows
constexpr int kStrip = 48;           // rows worked on at once, so that memory stays small

// One station's strip, with a rim of kAround rows as far as there are rows, and its gradients in
// one direction with their weights. The maps are used again from strip to strip: clearing fresh
// memory took as long as the arithmetic.
struct Slopes {
  cv::Mat log;      // CV_32FC1, as all of them
  cv::Mat inverse;  // 1 / level around each pixel
  cv::Mat value;
  cv::Mat weight;  // 1 / variance
  cv::Mat root;    // of the weight
};

// The same of one station at a time.
struct Busy {
  cv::Mat size;     // of the gradients
  cv::Mat texture;  // mean size around each pixel
  cv::Mat weight;   // where texture rules it, else 0
};

void blur_around(const cv::Mat& from, cv::Mat& to) {
  cv::blur(from, to, {kAround, kAround}, cv::Point(-1, -1), cv::BORDER_REFLECT_101);
}

void take_strip(const cv::Mat& remembered, Slopes& s) {
  remembered.convertTo(s.log, CV_32F, remembered_step(), -65535.0 * remembered_step());
  blur_around(s.log, s.inverse);
  cv::multiply(s.inverse, -1.0, s.inverse);
  cv::exp(s.inverse, s.inverse);
}

// Weights of a row from 1 / level and the mean size of the gradients around each pixel.
TRUNNION_VECTOR_CODE [[gnu::noinline]] void weigh_row(const float* __restrict inverse,
                                                      const float* __restrict mean, float zero,
                                                      float slope, std::size_t width,
                                                      float* __restrict weight,
                                                      float* __restrict busy) {
  for (std::size_t x = 0; x < width; ++x) {
    const float sensor = (zero * inverse[x] + slope) * inverse[x];
    // Of a normal distribution, from its mean absolute value.
    const float scene = 1.5708F * mean[x] * mean[x];
    const float w = 1.0F / ((sensor > scene ? sensor : scene) + kRepeated);
    weight[x] = w;
    busy[x] = scene > 2.0F * sensor ? w : 0.0F;
  }
}

void find_slopes(const cv::Point& to, const LightNoise& noise, Slopes& s, Busy& busy) {
  const cv::Mat& log = s.log;
  s.value.create(log.size(), CV_32FC1);
  s.value.col(log.cols - 1).setTo(0);
  s.value.row(log.rows - 1).setTo(0);
  const cv::Rect from(0, 0, log.cols - to.x, log.rows - to.y);
  cv::Mat inside = s.value(from);
  cv::subtract(log(from + to), log(from), inside);
  cv::absdiff(s.value, cv::Scalar(0), busy.size);
  blur_around(busy.size, busy.texture);
  s.weight.create(log.size(), CV_32FC1);
  busy.weight.create(log.size(), CV_32FC1);
  const auto zero = static_cast<float>(2.0 * noise.at_zero);
  const auto slope = static_cast<float>(2.0 * noise.per_level);
  for (int y = 0; y < log.rows; ++y) {
    weigh_row(s.inverse.ptr<float>(y), busy.texture.ptr<float>(y), zero, slope,
              static_cast<std::size_t>(log.cols), s.weight.ptr<float>(y),
              busy.weight.ptr<float>(y));
  }
  cv::sqrt(s.weight, s.root);
}

// Adds one station's weighted gradients. Only apart from its caller, where the arrays are known not
// to overlap, is the loop vectorised.
TRUNNION_VECTOR_CODE [[gnu::noinline]] void add_station(
    const float* __restrict g, const float* __restrict w, const float* __restrict root,
    const float* __restrict estimate, float clip, std::size_t run, float* __restrict sum,
    float* __restrict total) {
  for (std::size_t x = 0; x < run; ++x) {
    const float z = std::abs(g[x] - estimate[x]) * root[x];
    const float share = w[x] * (clip / (z > clip ? z : clip));
    sum[x] += share * g[x];
    total[x] += share;
  }
}

// Huber's estimate over the stations for the pixels of a row, a run at a time. Where no station has
// texture (`busy`, of all stations) all is normal noise, whose best estimate is the mean.
void locate(const std::vector<Slopes>& stations, int row, const float* busy, float* value,
            float* weight, int width) {
  constexpr int kRun = 64;
  std::array<float, kRun> estimate{};
  std::array<float, kRun> sum{};
  std::array<float, kRun> total{};
  for (int from = 0; from < width; from += kRun) {
    const auto run = static_cast<std::size_t>(std::min(kRun, width - from));
    estimate.fill(0);
    const bool calm = std::all_of(busy + from, busy + from + run, [](float b) { return b <= 0; });
    for (int round = 0; round <= (calm ? 0 : kRounds); ++round) {
      sum.fill(0);
      total.fill(0);
      const float clip = round == 0 ? 1e6F : kClip;
      for (const Slopes& station : stations) {
        const float* g = station.value.ptr<float>(row) + from;
        const float* w = station.weight.ptr<float>(row) + from;
        const float* root = station.root.ptr<float>(row) + from;
        add_station(g, w, root, estimate.data(), clip, run, sum.data(), total.data());
      }
      for (std::size_t x = 0; x < run; ++x) estimate[x] = sum[x] / total[x];
    }
    if (calm) {
      for (std::size_t x = 0; x < run; ++x) total[x] *= kKept;
    }
    std::copy_n(estimate.begin(), run, value + from);
    std::copy_n(total.begin(), run, weight + from);
  }
}

}  // namespace

float remembered_step() {
  return -std::log(kDarkest) / 65535.0F;
}

cv::Mat remembered_log(const cv::Mat& grey, double full_scale) {
  cv::Mat remembered(grey.size(), CV_16UC1);
  // By strips that stay in the cache.
  cv::Mat log;
  for (int first = 0; first < grey.rows; first += kLogStrip) {
    const cv::Range strip(first, std::min(grey.rows, first + kLogStrip));
    grey.rowRange(strip).convertTo(log, CV_32F, 1.0 / full_scale);
    cv::max(log, kDarkest, log);
    cv::log(log, log);
    cv::Mat out = remembered.rowRange(strip);
    log.convertTo(out, CV_16U, 1.0 / remembered_step(), 65535.0);
  }
  return remembered;
}

namespace {

// What one thread works with, used again from strip to strip.
struct Strip {
  std::vector<Slopes> stations;
  Busy station_busy;
  // Of all stations.
  cv::Mat all;
  cv::Mat busy;
};

void find_strip(const std::vector<cv::Mat>& logs, const LightNoise& noise, int first, Strip& strip,
                StaticGradient& field) {
  const cv::Size size = logs.front().size();
  const int last = std::min(size.height, first + kStrip);
  const int above = std::max(0, first - kAround);
  const int below = std::min(size.height, last + kAround);
  strip.stations.resize(logs.size());
  for (std::size_t k = 0; k < logs.size(); ++k) {
    take_strip(logs[k].rowRange(above, below), strip.stations[k]);
  }
  for (const bool down : {false, true}) {
    strip.all.create(below - above, size.width, CV_32FC1);
    strip.all.setTo(0);
    strip.all.copyTo(strip.busy);
    for (Slopes& station : strip.stations) {
      find_slopes(down ? cv::Point(0, 1) : cv::Point(1, 0), noise, station, strip.station_busy);
      strip.all += station.weight;
      strip.busy += strip.station_busy.weight;
    }
    for (int row = first; row < last; ++row) {
      locate(strip.stations, row - above, strip.busy.ptr<float>(row - above),
             (down ? field.y : field.x).ptr<float>(row),
             (down ? field.weight_y : field.weight_x).ptr<float>(row), size.width);
    }
    cv::divide(strip.busy, strip.all, strip.busy, 0.5);
    field.texture.rowRange(first, last) += strip.busy.rowRange(first - above, last - above);
  }
}

}  // namespace

StaticGradient static_gradient(const std::vector<cv::Mat>& logs, const LightNoise& noise) {
  const cv::Size size = logs.front().size();
  StaticGradient field;
  for (cv::Mat* map : {&field.x, &field.y, &field.weight_x, &field.weight_y, &field.texture}) {
    *map = cv::Mat::zeros(size, CV_32FC1);
  }
  tbb::enumerable_thread_specific<Strip> strips;
  tbb::parallel_for(0, (size.height + kStrip - 1) / kStrip, [&](int k) {
    // A library that waits for threads of its own must not start a strip here.
    tbb::this_task_arena::isolate(
        [&] { find_strip(logs, noise, k * kStrip, strips.local(), field); });
  });
  field.weight_x.col(size.width - 1).setTo(0);
  field.weight_y.row(size.height - 1).setTo(0);
  return field;
}

void leave_out(StaticGradient& field, const std::vector<cv::Point2d>& defects,
               const cv::Point& origin, double scale) {
  for (const cv::Point2d& defect : defects) {
    const cv::Point at(static_cast<int>(std::lround((defect.x - origin.x + 0.5) / scale - 0.5)),
                       static_cast<int>(std::lround((defect.y - origin.y + 0.5) / scale - 0.5)));
    const cv::Rect around = cv::Rect(at.x - 2, at.y - 2, 4, 4) & cv::Rect({0, 0}, field.x.size());
    field.weight_x(around).setTo(0);
    field.weight_y(around).setTo(0);
  }
}

}  // namespace trunnion

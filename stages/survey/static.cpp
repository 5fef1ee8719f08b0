#include "stages/survey/static.h"

#include <tbb/enumerable_thread_specific.h>
#include <tbb/parallel_for.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

#include "core/box_mean.h"
#include "core/vector_code.h"

namespace trunnion::survey {
namespace {

constexpr float kDarkest = 0.0015F;  // below is noise; ln of it is 0 in a quantised log image
constexpr int kAround = 5;           // px, within which texture counts against a pixel
constexpr float kClip = 0.7F;        // sigmas from which Huber's estimate turns into a median
constexpr float kKept = 0.81F;       // share of the weights that this clip leaves of normal noise
constexpr int kRounds = 6;           // of reweighting
constexpr float kRepeated = 4e-6F;   // variance: 0.2 %, what photographs repeat from shot to shot
constexpr int kLogStrip = 8;         // rows
constexpr int kTileRows = 48;        // worked on at once, so that the caches hold it
constexpr int kTileColumns = 256;

// One station's tile, with a rim of kAround pixels as far as there are pixels, and its gradients in
// one direction with their weights. The maps are used again from tile to tile: clearing fresh
// memory took as long as the arithmetic.
struct Slopes {
  cv::Mat log;      // CV_32FC1, as all of them
  cv::Mat inverse;  // 1 / level around each pixel
  cv::Mat value;
  cv::Mat weight;  // 1 / variance
  cv::Mat root;    // of the weight
};

// What one thread works with.
struct Tile {
  std::vector<Slopes> stations;
  // Of one station at a time.
  cv::Mat size;     // of the gradients
  cv::Mat texture;  // mean size around each pixel
  // Of all stations.
  cv::Mat all;   // weights
  cv::Mat busy;  // those that texture rules
};

void take_tile(const cv::Mat& quantised, Slopes& s) {
  quantised.convertTo(s.log, CV_32F, quantised_log_step(), -65535.0 * quantised_log_step());
  box_mean(s.log, s.inverse, kAround, cv::BORDER_REFLECT_101);
  cv::multiply(s.inverse, -1.0, s.inverse);
  cv::exp(s.inverse, s.inverse);
}

// Weights of a row from 1 / level and the mean size of the gradients around each pixel, and their
// sums over the stations.
struct WeightRow {
  float* __restrict weight;
  float* __restrict all;
  float* __restrict busy;
};

TRUNNION_VECTOR_CODE [[gnu::noinline]] void weigh_row(const float* __restrict inverse,
                                                      const float* __restrict mean, float zero,
                                                      float slope, std::size_t width,
                                                      const WeightRow& row) {
  for (std::size_t x = 0; x < width; ++x) {
    const float sensor = (zero * inverse[x] + slope) * inverse[x];
    // Of a normal distribution, from its mean absolute value.
    const float scene = 1.5708F * mean[x] * mean[x];
    const float w = 1.0F / ((sensor > scene ? sensor : scene) + kRepeated);
    row.weight[x] = w;
    row.all[x] += w;
    row.busy[x] += scene > 2.0F * sensor ? w : 0.0F;
  }
}

TRUNNION_VECTOR_CODE [[gnu::noinline]] void slope_row(const float* __restrict from,
                                                      const float* __restrict to, std::size_t count,
                                                      float* __restrict value,
                                                      float* __restrict size) {
  for (std::size_t x = 0; x < count; ++x) {
    const float slope = to[x] - from[x];
    value[x] = slope;
    size[x] = std::abs(slope);
  }
}

void find_slopes(const cv::Point& to, const LightNoise& noise, Slopes& s, Tile& tile) {
  const cv::Mat& log = s.log;
  for (cv::Mat* map : {&s.value, &s.weight, &tile.size}) map->create(log.size(), CV_32FC1);
  for (cv::Mat* map : {&s.value, &tile.size}) {
    map->col(log.cols - 1).setTo(0);
    map->row(log.rows - 1).setTo(0);
  }
  for (int y = 0; y + to.y < log.rows; ++y) {
    slope_row(log.ptr<float>(y), log.ptr<float>(y + to.y) + to.x,
              static_cast<std::size_t>(log.cols - to.x), s.value.ptr<float>(y),
              tile.size.ptr<float>(y));
  }
  box_mean(tile.size, tile.texture, kAround, cv::BORDER_REFLECT_101);
  const auto zero = static_cast<float>(2.0 * noise.at_zero);
  const auto slope = static_cast<float>(2.0 * noise.per_level);
  for (int y = 0; y < log.rows; ++y) {
    weigh_row(s.inverse.ptr<float>(y), tile.texture.ptr<float>(y), zero, slope,
              static_cast<std::size_t>(log.cols),
              {s.weight.ptr<float>(y), tile.all.ptr<float>(y), tile.busy.ptr<float>(y)});
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
void locate(const std::vector<Slopes>& stations, const cv::Point& at, const float* busy,
            float* value, float* weight, int width) {
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
        const float* g = station.value.ptr<float>(at.y) + at.x + from;
        const float* w = station.weight.ptr<float>(at.y) + at.x + from;
        const float* root = station.root.ptr<float>(at.y) + at.x + from;
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

float quantised_log_step() {
  return -std::log(kDarkest) / 65535.0F;
}

cv::Mat quantised_log(const cv::Mat& grey, double full_scale) {
  cv::Mat quantised(grey.size(), CV_16UC1);
  // By strips that stay in the cache.
  cv::Mat log;
  for (int first = 0; first < grey.rows; first += kLogStrip) {
    const cv::Range strip(first, std::min(grey.rows, first + kLogStrip));
    grey.rowRange(strip).convertTo(log, CV_32F, 1.0 / full_scale);
    cv::max(log, kDarkest, log);
    cv::log(log, log);
    cv::Mat out = quantised.rowRange(strip);
    log.convertTo(out, CV_16U, 1.0 / quantised_log_step(), 65535.0);
  }
  return quantised;
}

namespace {

void find_tile(const std::vector<cv::Mat>& logs, const LightNoise& noise, const cv::Rect& area,
               Tile& tile, StaticGradient& field) {
  const cv::Rect with_rim = cv::Rect(area.x - kAround, area.y - kAround, area.width + 2 * kAround,
                                     area.height + 2 * kAround) &
                            cv::Rect({0, 0}, logs.front().size());
  tile.stations.resize(logs.size());
  for (std::size_t k = 0; k < logs.size(); ++k) take_tile(logs[k](with_rim), tile.stations[k]);
  const cv::Point rim = area.tl() - with_rim.tl();
  for (const bool down : {false, true}) {
    for (cv::Mat* map : {&tile.all, &tile.busy}) {
      map->create(with_rim.size(), CV_32FC1);
      map->setTo(0);
    }
    for (Slopes& station : tile.stations) {
      find_slopes(down ? cv::Point(0, 1) : cv::Point(1, 0), noise, station, tile);
    }
    for (int y = 0; y < area.height; ++y) {
      const cv::Point at = rim + cv::Point(0, y);
      locate(tile.stations, at, tile.busy.ptr<float>(at.y) + at.x,
             (down ? field.y : field.x).ptr<float>(area.y + y) + area.x,
             (down ? field.weight_y : field.weight_x).ptr<float>(area.y + y) + area.x, area.width);
    }
    cv::divide(tile.busy, tile.all, tile.busy, 0.5);
    field.texture(area) += tile.busy(cv::Rect(rim, area.size()));
  }
}

}  // namespace

StaticGradient static_gradient(const std::vector<cv::Mat>& logs, const LightNoise& noise) {
  const cv::Rect whole({0, 0}, logs.front().size());
  StaticGradient field;
  for (cv::Mat* map : {&field.x, &field.y, &field.weight_x, &field.weight_y, &field.texture}) {
    *map = cv::Mat::zeros(whole.size(), CV_32FC1);
  }
  const int across = (whole.width + kTileColumns - 1) / kTileColumns;
  const int down = (whole.height + kTileRows - 1) / kTileRows;
  tbb::enumerable_thread_specific<Tile> tiles;
  tbb::parallel_for(0, across * down, [&](int k) {
    const cv::Rect area(k % across * kTileColumns, k / across * kTileRows, kTileColumns, kTileRows);
    // A library that waits for threads of its own must not start a tile here.
    tbb::this_task_arena::isolate(
        [&] { find_tile(logs, noise, area & whole, tiles.local(), field); });
  });
  field.weight_x.col(whole.width - 1).setTo(0);
  field.weight_y.row(whole.height - 1).setTo(0);
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

}  // namespace trunnion::survey

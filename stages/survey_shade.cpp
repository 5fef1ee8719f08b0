#include "stages/survey_shade.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <limits>
#include <opencv2/core/hal/intrin.hpp>
#include <opencv2/imgproc.hpp>
#include <utility>

namespace trunnion {
namespace {

constexpr float kZero = 180.0F;         // how a shade of 0 is remembered
constexpr float kStep = 0.005F;         // of a shade; 0 to 255 is -0.9 to +0.375
constexpr double kScatterScale = 1500;  // keeps a scatter of up to 17 % in a byte
constexpr int kUnrestCells = 7;
constexpr float kCalm = 1.6F;  // times the unrest of the calmest stations

constexpr int kLanes = 64;  // pixels sorted side by side
constexpr std::size_t kMostStations = 24;
constexpr std::int16_t kLast = std::numeric_limits<std::int16_t>::max();

using Comparator = std::pair<std::uint8_t, std::uint8_t>;

// Merge exchange sort (K. E. Batcher, "Sorting networks and their applications", AFIPS 1968; in the
// form of D. E. Knuth, TAOCP vol. 3, algorithm 5.2.2M): the same steps for all values, so that many
// pixels are sorted at once.
std::vector<Comparator> sorting_network(std::size_t n) {
  std::vector<Comparator> network;
  std::size_t top = 1;
  while (2 * top < n) top *= 2;
  for (std::size_t p = top; p > 0; p /= 2) {
    std::size_t q = top;
    std::size_t r = 0;
    std::size_t d = p;
    for (;;) {
      for (std::size_t i = 0; i + d < n; ++i) {
        if ((i & p) == r) {
          network.emplace_back(static_cast<std::uint8_t>(i), static_cast<std::uint8_t>(i + d));
        }
      }
      if (q == p) break;
      d = q - p;
      q /= 2;
      r = p;
    }
  }
  return network;
}

template <typename T>
using Lanes = std::array<std::array<T, kLanes>, kMostStations>;

cv::v_uint8x16 load(const std::uint8_t* at) {
  return cv::v_load(at);
}
cv::v_int16x8 load(const std::int16_t* at) {
  return cv::v_load(at);
}

template <typename T>
void sort_lanes(Lanes<T>& values, const std::vector<Comparator>& network) {
  constexpr int kVector = 16 / sizeof(T);
  for (const auto& [i, j] : network) {
    T* low = values[i].data();
    T* high = values[j].data();
    for (int w = 0; w < kLanes; w += kVector) {
      const auto a = load(low + w);
      const auto b = load(high + w);
      cv::v_store(low + w, cv::v_min(a, b));
      cv::v_store(high + w, cv::v_max(a, b));
    }
  }
}

// Twice the median of the first `count` of sorted values.
template <typename T>
int twice_median(const Lanes<T>& sorted, std::size_t count, std::size_t w) {
  const int upper = sorted[count / 2][w];
  return upper + (count % 2 != 0 ? upper : sorted[count / 2 - 1][w]);
}

void median_of_lanes(const std::vector<cv::Mat>& stations, const CalmStations& calm,
                     const std::vector<Comparator>& network, int y, int x, int width,
                     Shades& result) {
  const std::size_t n = stations.size();
  const int row = y / calm.shrink;
  Lanes<std::uint8_t> shades{};
  for (std::size_t k = 0; k < n; ++k) {
    // Stations with something going on sort behind all others.
    const auto* shade = stations[k].ptr<std::uint8_t>(y) + x;
    const auto* restless = calm.restless[k].ptr<std::uint8_t>(row) + x;
    for (int w = 0; w < width; ++w) {
      shades[k][static_cast<std::size_t>(w)] = shade[w] | restless[w];
    }
  }
  sort_lanes(shades, network);
  const auto* counts = calm.count.ptr<std::uint8_t>(row) + x;
  std::array<std::int16_t, kLanes> middles{};
  std::array<std::int16_t, kLanes> count_of{};
  for (std::size_t w = 0; w < static_cast<std::size_t>(width); ++w) {
    count_of[w] = counts[w];
    middles[w] = static_cast<std::int16_t>(twice_median(shades, counts[w], w));
  }
  Lanes<std::int16_t> away;  // twice the distance from the median
  for (std::size_t k = 0; k < n; ++k) {
    const cv::v_int16x8 place = cv::v_setall_s16(static_cast<std::int16_t>(k));
    for (std::size_t w = 0; w < kLanes; w += 8) {
      const cv::v_int16x8 twice =
          cv::v_reinterpret_as_s16(cv::v_shl<1>(cv::v_load_expand(shades[k].data() + w)));
      const cv::v_int16x8 middle = cv::v_load(middles.data() + w);
      const cv::v_int16x8 distance = cv::v_max(twice - middle, middle - twice);
      const cv::v_int16x8 counts_here = cv::v_load(count_of.data() + w);
      cv::v_store(away[k].data() + w,
                  cv::v_select(place < counts_here, distance, cv::v_setall_s16(kLast)));
    }
  }
  sort_lanes(away, network);
  auto* middle = result.middle.ptr<float>(y) + x;
  auto* error = result.error.ptr<float>(y) + x;
  for (std::size_t w = 0; w < static_cast<std::size_t>(width); ++w) {
    middle[w] = kStep * (0.5F * static_cast<float>(middles[w]) - kZero);
    const float deviation = 0.25F * static_cast<float>(twice_median(away, counts[w], w));
    // Of the median of n values 1.25 / sqrt(n) sigma; sigma is 1.48 of the median deviation.
    error[w] = kStep * 1.25F * 1.4826F * std::max(0.5F, deviation) /
               std::sqrt(static_cast<float>(counts[w]));
  }
}

}  // namespace

// How much brighter than its surround each pixel is, as a share of it. The surround is a median, so
// neither the speck nor an edge at some distance is part of it.
cv::Mat shade_of(const cv::Mat& grey, int shrink, double full_scale) {
  const cv::Size small((grey.cols + shrink - 1) / shrink, (grey.rows + shrink - 1) / shrink);
  cv::Mat reduced;
  cv::resize(grey, reduced, small, 0, 0, cv::INTER_AREA);
  cv::Mat median;
  cv::medianBlur(reduced, median, 5);
  cv::Mat surround;
  cv::resize(median, surround, grey.size(), 0, 0, cv::INTER_LINEAR);
  const auto darkest = static_cast<float>(0.002 * full_scale);
  cv::Mat shade(grey.size(), CV_8U);
  for (int y = 0; y < grey.rows; ++y) {
    const auto* here = grey.ptr<float>(y);
    const auto* around = surround.ptr<float>(y);
    auto* out = shade.ptr<std::uint8_t>(y);
    for (int x = 0; x < grey.cols; ++x) {
      const float share = here[x] / std::max(around[x], darkest) - 1.0F;
      const float byte = std::clamp(share * (1.0F / kStep) + kZero, 0.0F, 255.0F);
      out[x] = static_cast<std::uint8_t>(byte + 0.5F);
    }
  }
  return shade;
}

// Mean unevenness around each pixel, at 1/shrink of the size.
cv::Mat unrest_of(const cv::Mat& shade, int shrink) {
  cv::Mat away;
  cv::absdiff(shade, cv::Scalar(kZero), away);
  cv::Mat small;
  cv::resize(away, small, {(shade.cols + shrink - 1) / shrink, (shade.rows + shrink - 1) / shrink},
             0, 0, cv::INTER_AREA);
  cv::Mat wide;
  small.convertTo(wide, CV_32F);
  cv::blur(wide, wide, {kUnrestCells, kUnrestCells});
  return wide;
}

// A station is calm at a cell unless much more goes on there than at the calmest third.
CalmStations calm_stations(const std::vector<cv::Mat>& unrest, int shrink, const cv::Size& size) {
  const std::size_t n = unrest.size();
  CV_Assert(n > 0 && n <= kMostStations);
  const cv::Size rows(size.width, unrest.front().rows);
  CalmStations calm{shrink, cv::Mat(rows, CV_8U), {}};
  for (std::size_t k = 0; k < n; ++k) calm.restless.emplace_back(rows, CV_8U);
  const std::size_t least = std::min(n, std::max<std::size_t>(3, n / 3));
  tbb::parallel_for(0, rows.height, [&](int v) {
    std::array<std::pair<float, std::size_t>, kMostStations> order;
    for (int u = 0; u < unrest.front().cols; ++u) {
      for (std::size_t k = 0; k < n; ++k) {  // by insertion: there are few
        const std::pair<float, std::size_t> entry{unrest[k].at<float>(v, u), k};
        std::size_t place = k;
        for (; place > 0 && entry < order[place - 1]; --place) order[place] = order[place - 1];
        order[place] = entry;
      }
      std::size_t count = least;
      while (count < n && order[count].first <= kCalm * order[least / 2].first) ++count;
      const int first = u * shrink;
      const int width = std::min(shrink, size.width - first);
      for (std::size_t k = 0; k < n; ++k) {
        auto* row = calm.restless[order[k].second].ptr<std::uint8_t>(v);
        for (int i = 0; i < width; ++i) row[first + i] = k < count ? 0 : 255;
      }
      auto* counts = calm.count.ptr<std::uint8_t>(v);
      for (int i = 0; i < width; ++i) counts[first + i] = static_cast<std::uint8_t>(count);
    }
  });
  return calm;
}

// Median over those stations at which little goes on around the pixel: where the specimen comes
// past now and then, those at which it does not.
Shades median_shade(const std::vector<cv::Mat>& stations, const CalmStations& calm) {
  const cv::Size size = stations.front().size();
  Shades result{cv::Mat(size, CV_32FC1), cv::Mat(size, CV_32FC1)};
  const std::vector<Comparator> network = sorting_network(stations.size());
  tbb::parallel_for(tbb::blocked_range<int>(0, size.height), [&](const auto& rows) {
    for (int y = rows.begin(); y < rows.end(); ++y) {
      for (int x = 0; x < size.width; x += kLanes) {
        median_of_lanes(stations, calm, network, y, x, std::min(kLanes, size.width - x), result);
      }
    }
  });
  return result;
}

// Sigma of `slope` around each pixel that specks and edges in less than half of the surround do not
// raise.
cv::Mat scatter_around(const cv::Mat& slope, int reach_px) {
  constexpr int kShrink = 3;
  cv::Mat small;
  cv::resize(cv::abs(slope), small, {slope.cols / kShrink, slope.rows / kShrink}, 0, 0,
             cv::INTER_NEAREST);
  cv::Mat quantised;
  small.convertTo(quantised, CV_8U, kScatterScale);
  cv::medianBlur(quantised, quantised, 2 * (reach_px / kShrink / 2) + 1);
  cv::Mat wide;
  cv::resize(quantised, wide, slope.size(), 0, 0, cv::INTER_LINEAR);
  cv::Mat scatter;
  wide.convertTo(scatter, CV_32F, 1.4826 / kScatterScale);
  return scatter;
}

}  // namespace trunnion
